//! Small dense symmetric systems.

/// A lower Cholesky factor, row by row.
#[derive(Debug, Clone)]
pub struct Cholesky {
    order: usize,
    lower: Vec<f64>,
}

impl Cholesky {
    /// The factor of a symmetric matrix given row by row (its lower half is read); none where it is not positive
    /// definite.
    #[must_use]
    pub fn of(matrix: &[f64], order: usize) -> Option<Self> {
        let mut lower = matrix.to_vec();
        for i in 0..order {
            let (done, rest) = lower.split_at_mut(i * order);
            let row = &mut rest[..order];
            for j in 0..i {
                let other = &done[j * order..j * order + j];
                let product: f64 = row[..j].iter().zip(other).map(|(a, b)| a * b).sum();
                row[j] = (row[j] - product) / done[j * order + j];
            }
            let product: f64 = row[..i].iter().map(|a| a * a).sum();
            let pivot = row[i] - product;
            if !(pivot.is_finite() && pivot > 1e-12 * matrix[i * order + i].abs()) {
                return None;
            }
            row[i] = pivot.sqrt();
            row[i + 1..].fill(0.0);
        }
        Some(Self { order, lower })
    }

    /// The solution x of A x = right.
    #[must_use]
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let n = self.order;
        let mut x = right.to_vec();
        for i in 0..n {
            let row = &self.lower[i * n..i * n + i];
            let product: f64 = row.iter().zip(&x).map(|(a, b)| a * b).sum();
            x[i] = (x[i] - product) / self.lower[i * n + i];
        }
        for i in (0..n).rev() {
            x[i] /= self.lower[i * n + i];
            let (before, value) = (i * n, x[i]);
            for j in 0..i {
                x[j] -= self.lower[before + j] * value;
            }
        }
        x
    }

    /// The inverse, row by row.
    #[must_use]
    pub fn inverse(&self) -> Vec<f64> {
        let n = self.order;
        let mut inverse = vec![0.0; n * n];
        for column in 0..n {
            let mut unit = vec![0.0; n];
            unit[column] = 1.0;
            for (row, value) in self.solve(&unit).into_iter().enumerate() {
                inverse[row * n + column] = value;
            }
        }
        inverse
    }
}

/// Σ a b.
pub fn dot(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::Cholesky;

    // Worked by hand: [[4, 2], [2, 3]] has the inverse [[3, -2], [-2, 4]] / 8; [[1, 2], [2, 1]] has a negative root.
    #[test]
    fn a_system_worked_by_hand() {
        let factor = Cholesky::of(&[4.0, 2.0, 2.0, 3.0], 2).expect("positive definite");
        for (found, expected) in factor.inverse().iter().zip([0.375, -0.25, -0.25, 0.5]) {
            assert!((found - expected).abs() < 1e-15, "{found} {expected}");
        }
        for (found, expected) in factor.solve(&[8.0, 8.0]).iter().zip([1.0, 2.0]) {
            assert!((found - expected).abs() < 1e-15, "{found} {expected}");
        }
        assert!(Cholesky::of(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
    }
}
