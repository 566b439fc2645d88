//! A small dense matrix, its singular values and its Cholesky factor.

/// A dense matrix, row after row.
#[derive(Clone, Debug, PartialEq)]
pub struct Matrix {
    rows: usize,
    cols: usize,
    values: Vec<f64>,
}

/// `left diag(values) right'`, with orthonormal columns; values in no order.
pub(super) struct Factors {
    pub left: Matrix,
    pub values: Vec<f64>,
    pub right: Matrix,
}

/// Most sweeps over all pairs of columns; six or seven are usual.
const SWEEPS: usize = 60;

impl Matrix {
    /// All zeros.
    #[must_use]
    pub fn zeros(rows: usize, cols: usize) -> Self {
        Self { rows, cols, values: vec![0.0; rows * cols] }
    }

    /// From rows of one length; missing values of a shorter row are zero.
    #[must_use]
    pub fn from_rows(rows: &[Vec<f64>]) -> Self {
        let mut out = Self::zeros(rows.len(), rows.first().map_or(0, Vec::len));
        for (r, row) in rows.iter().enumerate() {
            for (c, v) in row.iter().take(out.cols).enumerate() {
                out.set(r, c, *v);
            }
        }
        out
    }

    /// Number of rows.
    #[must_use]
    pub const fn rows(&self) -> usize {
        self.rows
    }

    /// Number of columns.
    #[must_use]
    pub const fn cols(&self) -> usize {
        self.cols
    }

    /// A value. Row and column must be inside.
    #[must_use]
    pub fn at(&self, row: usize, col: usize) -> f64 {
        self.values[row * self.cols + col]
    }

    /// Sets a value. Row and column must be inside.
    pub fn set(&mut self, row: usize, col: usize, value: f64) {
        self.values[row * self.cols + col] = value;
    }

    /// One row.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f64] {
        &self.values[row * self.cols..(row + 1) * self.cols]
    }

    /// This matrix with the rows of another one below; both have the same number of columns.
    #[must_use]
    pub fn below(&self, more: &Self) -> Self {
        let values = self.values.iter().chain(&more.values).copied().collect();
        Self { rows: self.rows + more.rows, cols: self.cols, values }
    }

    /// `vector' self vector`, for a square matrix.
    #[must_use]
    pub fn quadratic(&self, vector: &[f64]) -> f64 {
        (0..self.rows).map(|r| vector[r] * self.row(r).iter().zip(vector).map(|(a, b)| a * b).sum::<f64>()).sum()
    }

    /// Singular values by one-sided Jacobi rotations (Hestenes): columns are turned against each other
    /// until all are at right angles. A column that ends as zero has the singular value 0.
    pub(super) fn singular_values(&self) -> Factors {
        // Columns as vectors of their own: every step works on two of them.
        let mut columns: Vec<Vec<f64>> = (0..self.cols).map(|c| (0..self.rows).map(|r| self.at(r, c)).collect()).collect();
        let mut right: Vec<Vec<f64>> = (0..self.cols).map(|c| (0..self.cols).map(|r| f64::from(u8::from(r == c))).collect()).collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        for _ in 0..SWEEPS {
            let mut turned = false;
            for i in 0..self.cols {
                for j in i + 1..self.cols {
                    let (alpha, beta, gamma) =
                        (dot(&columns[i], &columns[i]), dot(&columns[j], &columns[j]), dot(&columns[i], &columns[j]));
                    if gamma == 0.0 || gamma.abs() <= 1e-15 * (alpha * beta).sqrt() {
                        continue;
                    }
                    turned = true;
                    let zeta = (beta - alpha) / (2.0 * gamma);
                    let t = zeta.signum() / (zeta.abs() + zeta.hypot(1.0));
                    let c = 1.0 / t.hypot(1.0);
                    let s = c * t;
                    for set in [&mut columns, &mut right] {
                        let (head, tail) = set.split_at_mut(j);
                        for (a, b) in head[i].iter_mut().zip(tail[0].iter_mut()) {
                            (*a, *b) = (c * *a - s * *b, s * *a + c * *b);
                        }
                    }
                }
            }
            if !turned {
                break;
            }
        }
        let values: Vec<f64> = columns.iter().map(|c| dot(c, c).sqrt()).collect();
        let mut out = Factors { left: Self::zeros(self.rows, self.cols), right: Self::zeros(self.cols, self.cols), values };
        for k in 0..self.cols {
            for (r, v) in columns[k].iter().enumerate() {
                out.left.set(r, k, if out.values[k] > 0.0 { v / out.values[k] } else { 0.0 });
            }
            for (r, v) in right[k].iter().enumerate() {
                out.right.set(r, k, *v);
            }
        }
        out
    }
}

/// Lower factor L of a covariance, `L L' = C`, to whiten rows whose errors belong together.
pub struct Cholesky {
    lower: Matrix,
}

impl Cholesky {
    /// Factors a symmetric, positive definite matrix; `None` when it is none.
    #[must_use]
    pub fn of(covariance: &Matrix) -> Option<Self> {
        let n = covariance.rows();
        let mut lower = Matrix::zeros(n, n);
        for r in 0..n {
            for c in 0..=r {
                let sum: f64 = lower.row(r)[..c].iter().zip(&lower.row(c)[..c]).map(|(a, b)| a * b).sum();
                let rest = covariance.at(r, c) - sum;
                if r == c {
                    if !(rest > 0.0 && rest.is_finite()) {
                        return None;
                    }
                    lower.set(r, r, rest.sqrt());
                } else {
                    lower.set(r, c, rest / lower.at(c, c));
                }
            }
        }
        Some(Self { lower })
    }

    /// Solves `L y = vector` in place: errors of covariance C become independent errors of variance 1.
    pub fn whiten(&self, vector: &mut [f64]) {
        for r in 0..self.lower.rows() {
            let sum: f64 = self.lower.row(r)[..r].iter().zip(vector.iter()).map(|(a, b)| a * b).sum();
            vector[r] = (vector[r] - sum) / self.lower.at(r, r);
        }
    }

    /// Solves `L' y = vector` in place.
    pub fn whiten_transposed(&self, vector: &mut [f64]) {
        for r in (0..self.lower.rows()).rev() {
            let sum: f64 = (r + 1..self.lower.rows()).map(|k| self.lower.at(k, r) * vector[k]).sum();
            vector[r] = (vector[r] - sum) / self.lower.at(r, r);
        }
    }

    /// Whitens every column of a matrix.
    pub fn whiten_columns(&self, matrix: &mut Matrix) {
        let mut column = vec![0.0; matrix.rows()];
        for c in 0..matrix.cols() {
            for (r, v) in column.iter_mut().enumerate() {
                *v = matrix.at(r, c);
            }
            self.whiten(&mut column);
            for (r, v) in column.iter().enumerate() {
                matrix.set(r, c, *v);
            }
        }
    }
}
