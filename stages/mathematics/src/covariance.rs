//! Covariances of a local position: 3 x 3, symmetric, east, north, up, square metres.

/// A 3 x 3 matrix by rows.
pub type Matrix = [[f64; 3]; 3];

/// The unit matrix.
pub const UNIT: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
/// The zero matrix.
pub const ZERO: Matrix = [[0.0; 3]; 3];

/// A symmetric matrix from its six elements.
#[must_use]
pub fn symmetric(ee: f64, en: f64, eu: f64, nn: f64, nu: f64, uu: f64) -> Matrix {
    [[ee, en, eu], [en, nn, nu], [eu, nu, uu]]
}

/// Sum.
#[must_use]
pub fn add(a: &Matrix, b: &Matrix) -> Matrix {
    let mut c = *a;
    for i in 0..3 {
        for j in 0..3 {
            c[i][j] += b[i][j];
        }
    }
    c
}

/// Difference.
#[must_use]
pub fn subtract(a: &Matrix, b: &Matrix) -> Matrix {
    add(a, &scale(b, -1.0))
}

/// Multiple.
#[must_use]
pub fn scale(a: &Matrix, k: f64) -> Matrix {
    a.map(|row| row.map(|v| v * k))
}

/// Product.
#[must_use]
pub fn multiply(a: &Matrix, b: &Matrix) -> Matrix {
    let mut c = ZERO;
    for i in 0..3 {
        for j in 0..3 {
            c[i][j] = a[i][0] * b[0][j] + a[i][1] * b[1][j] + a[i][2] * b[2][j];
        }
    }
    c
}

/// Transpose.
#[must_use]
pub fn transpose(a: &Matrix) -> Matrix {
    [[a[0][0], a[1][0], a[2][0]], [a[0][1], a[1][1], a[2][1]], [a[0][2], a[1][2], a[2][2]]]
}

/// Product with a vector.
#[must_use]
pub fn apply(a: &Matrix, v: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|i| a[i][0] * v[0] + a[i][1] * v[1] + a[i][2] * v[2])
}

/// Sum of the diagonal.
#[must_use]
pub fn trace(a: &Matrix) -> f64 {
    a[0][0] + a[1][1] + a[2][2]
}

/// Lower triangle L with L L' = a. A matrix that is not quite positive (rounding, a contributor
/// without noise) gives zero columns in place of a failure.
#[must_use]
pub fn cholesky(a: &Matrix) -> Matrix {
    let mut l = ZERO;
    for j in 0..3 {
        let mut d = a[j][j];
        for known in &l[j][..j] {
            d -= known * known;
        }
        if d <= 1e-14 * a[j][j].abs() || d <= 0.0 || d.is_nan() {
            continue;
        }
        l[j][j] = d.sqrt();
        for i in j + 1..3 {
            let done: f64 = l[i][..j].iter().zip(&l[j][..j]).map(|(x, y)| x * y).sum();
            l[i][j] = (a[i][j] - done) / l[j][j];
        }
    }
    l
}

/// Inverse of a symmetric positive matrix; where it is singular, the inverse of its diagonal.
#[must_use]
pub fn inverse(a: &Matrix) -> Matrix {
    // Scaled to a unit diagonal, so that a millimetre and a metre do not meet in one determinant.
    let d = [0, 1, 2].map(|i| a[i][i].max(1e-300).sqrt());
    let mut r = *a;
    for i in 0..3 {
        for j in 0..3 {
            r[i][j] /= d[i] * d[j];
        }
    }
    let c00 = r[1][1] * r[2][2] - r[1][2] * r[2][1];
    let c01 = r[1][2] * r[2][0] - r[1][0] * r[2][2];
    let c02 = r[1][0] * r[2][1] - r[1][1] * r[2][0];
    let det = r[0][0] * c00 + r[0][1] * c01 + r[0][2] * c02;
    if det.is_nan() || det <= 1e-12 {
        return symmetric(1.0 / (d[0] * d[0]), 0.0, 0.0, 1.0 / (d[1] * d[1]), 0.0, 1.0 / (d[2] * d[2]));
    }
    let c11 = r[0][0] * r[2][2] - r[0][2] * r[2][0];
    let c12 = r[0][1] * r[2][0] - r[0][0] * r[2][1];
    let c22 = r[0][0] * r[1][1] - r[0][1] * r[1][0];
    let mut m = scale(&symmetric(c00, c01, c02, c11, c12, c22), 1.0 / det);
    for i in 0..3 {
        for j in 0..3 {
            m[i][j] /= d[i] * d[j];
        }
    }
    m
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn inverse_and_root_give_the_matrix_back(v in prop::array::uniform9(-1.0..1.0_f64), s in 0.001..10.0_f64) {
            let b = [[v[0], v[1], v[2]], [v[3], v[4], v[5]], [v[6], v[7], v[8]]];
            let a = scale(&add(&multiply(&b, &transpose(&b)), &scale(&UNIT, 0.01)), s);
            let l = cholesky(&a);
            let again = multiply(&l, &transpose(&l));
            let one = multiply(&a, &inverse(&a));
            for i in 0..3 { for j in 0..3 {
                prop_assert!((again[i][j] - a[i][j]).abs() < 1e-12 * s.max(1.0) * 10.0);
                prop_assert!((one[i][j] - UNIT[i][j]).abs() < 1e-9, "{one:?}");
            }}
        }
    }

    #[test]
    fn singular_matrices_do_not_blow_up() {
        let flat = symmetric(1.0, 1.0, 0.0, 1.0, 0.0, 1.0);
        assert!(inverse(&flat).iter().flatten().all(|v| v.is_finite()));
        assert!(inverse(&ZERO).iter().flatten().all(|v| !v.is_nan()));
        assert_eq!(cholesky(&ZERO), ZERO);
    }
}
