//! The area that control surrounds.

/// Corners of the convex hull of points, counter-clockwise (Andrew 1979, monotone chain).
#[must_use]
pub(crate) fn hull(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut sorted: Vec<[f64; 2]> = points.iter().copied().filter(|p| p.iter().all(|v| v.is_finite())).collect();
    sorted.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    sorted.dedup();
    if sorted.len() < 3 {
        return sorted;
    }
    let cross = |o: [f64; 2], a: [f64; 2], b: [f64; 2]| (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
    let half = |list: &mut dyn Iterator<Item = [f64; 2]>| {
        let mut chain: Vec<[f64; 2]> = vec![];
        for p in list {
            while chain.len() > 1 && cross(chain[chain.len() - 2], chain[chain.len() - 1], p) <= 0.0 {
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut out = half(&mut sorted.iter().copied());
    out.extend(half(&mut sorted.iter().rev().copied()));
    out
}

/// Distance of a point from a hull, m; 0 inside. Infinite for an empty hull.
#[must_use]
pub(crate) fn outside(hull: &[[f64; 2]], p: [f64; 2]) -> f64 {
    let n = hull.len();
    if n > 2 {
        let inside = (0..n).all(|i| {
            let (a, b) = (hull[i], hull[(i + 1) % n]);
            (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) >= 0.0
        });
        if inside {
            return 0.0;
        }
    }
    (0..n)
        .map(|i| {
            let (a, b) = (hull[i], hull[(i + 1) % n]);
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let length = dx * dx + dy * dy;
            let t = if length > 0.0 { (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length).clamp(0.0, 1.0) } else { 0.0 };
            (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
        })
        .fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_square() {
        let square = hull(&[[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0], [5.0, 5.0], [10.0, 5.0]]);
        assert_eq!(square.len(), 4);
        assert_eq!(outside(&square, [5.0, 5.0]), 0.0);
        assert!((outside(&square, [13.0, 14.0]) - 5.0).abs() < 1e-12 && (outside(&square, [-2.0, 3.0]) - 2.0).abs() < 1e-12);
        assert!((outside(&hull(&[[0.0, 0.0], [4.0, 0.0]]), [2.0, 3.0]) - 3.0).abs() < 1e-12);
        assert!(outside(&[], [0.0, 0.0]).is_infinite());
    }

    proptest! {
        #[test]
        fn every_point_lies_inside(points in prop::collection::vec((-1e3..1e3_f64, -1e3..1e3_f64), 1..40)) {
            let list: Vec<[f64; 2]> = points.iter().map(|p| [p.0, p.1]).collect();
            let h = hull(&list);
            for p in list {
                prop_assert!(outside(&h, p) < 1e-6);
            }
        }
    }
}
