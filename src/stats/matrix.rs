//! Small symmetric matrices.
//!
//! [`inverse`] refuses what has none. All else works on the lower triangle of a slice of n x n numbers, row by row: a matrix
//! that is not positive definite is taken for one with a tiny pivot in that place, so that no input stops the program; the
//! results are then large but finite.

/// Smallest pivot; see the module's head.
const TINY: f64 = 1e-9;

/// The lower factor of `a`, in place; what stands above the diagonal is set to zero. Returns the logarithm of the
/// determinant of `a`. Cholesky's method by rows (Golub and Van Loan, Matrix Computations, 4.2).
pub(crate) fn factor(a: &mut [f64], n: usize) -> f64 {
    let mut log_det = 0.0;
    for i in 0..n {
        let (above, row) = a.split_at_mut(i * n);
        let row = &mut row[..n];
        for j in 0..i {
            let other = &above[j * n..j * n + j + 1];
            let dot: f64 = dot(&row[..j], &other[..j]);
            row[j] = (row[j] - dot) / other[j];
        }
        let pivot = (row[i] - dot(&row[..i], &row[..i])).max(TINY);
        row[i] = pivot.sqrt();
        row[i + 1..].fill(0.0);
        log_det += pivot.ln();
    }
    log_det
}

/// The inverse of the lower factor `l`, itself lower, into `out`.
pub(crate) fn invert_factor(l: &[f64], n: usize, out: &mut [f64]) {
    out[..n * n].fill(0.0);
    for i in 0..n {
        let (above, row) = out.split_at_mut(i * n);
        let row = &mut row[..n];
        for (k, of) in above.chunks_exact(n).enumerate() {
            let share = l[i * n + k];
            for (r, v) in row[..=k].iter_mut().zip(of) {
                *r -= share * v;
            }
        }
        let scale = 1.0 / l[i * n + i];
        row[..i].iter_mut().for_each(|r| *r *= scale);
        row[i] = scale;
    }
}

/// The inverse of the matrix whose inverse factor is `y`: transposed `y` times `y`, into `out`.
pub(crate) fn square(y: &[f64], n: usize, out: &mut [f64]) {
    out[..n * n].fill(0.0);
    for row in y.chunks_exact(n).take(n).enumerate() {
        let (k, row) = row;
        for i in 0..=k {
            let share = row[i];
            for (o, v) in out[i * n..i * n + i + 1].iter_mut().zip(row) {
                *o += share * v;
            }
        }
    }
    for i in 0..n {
        for j in 0..i {
            out[j * n + i] = out[i * n + j];
        }
    }
}

/// The inverse of `a`, and the logarithm of its determinant.
pub(crate) fn invert(a: &[f64], n: usize) -> (Vec<f64>, f64) {
    let mut l = a[..n * n].to_vec();
    let log_det = factor(&mut l, n);
    let mut y = vec![0.0; n * n];
    invert_factor(&l, n, &mut y);
    square(&y, n, &mut l);
    (l, log_det)
}

/// The scalar product.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The matrix times a vector.
pub(crate) fn times(a: &[f64], v: &[f64]) -> Vec<f64> {
    a.chunks_exact(v.len()).map(|row| dot(row, v)).collect()
}

/// `v` times the matrix times `v`.
pub(crate) fn form(a: &[f64], v: &[f64]) -> f64 {
    a.chunks_exact(v.len()).zip(v).map(|(row, x)| x * dot(row, v)).sum()
}

/// The inverse of a symmetric positive matrix; `None` where it is singular. Gauss and Jordan's method with pivoting.
pub(crate) fn inverse<const K: usize>(mut a: [[f64; K]; K]) -> Option<[[f64; K]; K]> {
    let size: f64 = (0..K).map(|i| a[i][i].abs()).fold(0.0, f64::max);
    let mut out = [[0.0; K]; K];
    for (i, row) in out.iter_mut().enumerate() {
        row[i] = 1.0;
    }
    for i in 0..K {
        let pivot = (i..K).max_by(|p, q| a[*p][i].abs().total_cmp(&a[*q][i].abs()))?;
        a.swap(i, pivot);
        out.swap(i, pivot);
        let d = a[i][i];
        if d.is_nan() || d.abs() <= 1e-12 * size {
            return None;
        }
        for j in 0..K {
            a[i][j] /= d;
            out[i][j] /= d;
        }
        for r in (0..K).filter(|r| *r != i) {
            let f = a[r][i];
            for j in 0..K {
                a[r][j] -= f * a[i][j];
                out[r][j] -= f * out[i][j];
            }
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A symmetric positive definite matrix of size `n`: the Lehmer matrix min(i, j) / max(i, j), whose inverse is
    /// tridiagonal (Newman and Todd 1958).
    fn lehmer(n: usize) -> Vec<f64> {
        (0..n * n).map(|k| (k / n + 1, k % n + 1)).map(|(i, j)| i.min(j) as f64 / i.max(j) as f64).collect()
    }

    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        for n in 1..=30 {
            let a = lehmer(n);
            let (inverse, _) = invert(&a, n);
            for j in 0..n {
                let column: Vec<f64> = (0..n).map(|i| inverse[i * n + j]).collect();
                for (i, v) in times(&a, &column).into_iter().enumerate() {
                    assert!((v - f64::from(u8::from(i == j))).abs() < 1e-9, "size {n}, place {i} {j}: {v}");
                }
            }
        }
    }

    #[test]
    fn the_determinant_of_a_known_matrix_is_found() {
        // 4 x 5 - 2 x 2 = 16.
        assert!((invert(&[4.0, 2.0, 2.0, 5.0], 2).1 - 16f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn both_inverses_agree_and_a_singular_matrix_has_none() {
        let found = inverse([[4.0, 2.0], [2.0, 5.0]]).unwrap();
        let (other, _) = invert(&[4.0, 2.0, 2.0, 5.0], 2);
        for (a, b) in found.as_flattened().iter().zip(&other) {
            assert!((a - b).abs() < 1e-12, "{a} and {b}");
        }
        assert!(inverse([[1.0, 1.0], [1.0, 1.0]]).is_none());
    }

    #[test]
    fn a_singular_matrix_gives_finite_numbers() {
        let (inverse, log_det) = invert(&[1.0, 1.0, 1.0, 1.0], 2);
        assert!(log_det.is_finite() && inverse.iter().all(|v| v.is_finite()));
    }
}
