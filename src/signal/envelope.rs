//! Symmetric positive systems whose rows begin late: Cholesky in the envelope.

use std::sync::Arc;

use super::lanes;

/// A symmetric matrix of which each row is kept from its first entry to the diagonal.
///
/// Unknowns that meet only their neighbours make short rows; the few that meet all go last and cost
/// one long row each. Source: George & Liu, *Computer Solution of Large Sparse Positive Definite
/// Systems* (1981), chapter 4 (from memory).
#[derive(Clone, Debug)]
pub struct Envelope {
    shape: Arc<Shape>, // the same for all that are made of one
    values: Vec<f64>,
}

#[derive(Debug)]
struct Shape {
    first: Vec<usize>,
    start: Vec<usize>, // of each row in `values`; row i holds columns first[i]..=i
}

impl Envelope {
    /// A matrix of zeros; `first[i]` is the first column of row `i`, at most `i`.
    pub fn new(first: Vec<usize>) -> Envelope {
        let mut start = Vec::with_capacity(first.len());
        let mut length = 0;
        for (row, first) in first.iter().enumerate() {
            start.push(length);
            length += row - first + 1;
        }
        Envelope { shape: Arc::new(Shape { first, start }), values: vec![0.0; length] }
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.shape.first.len()
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.shape.first.is_empty()
    }

    /// Adds to the entry of row `i` and column `j ≤ i`. Outside the envelope it panics in debug
    /// builds: the caller has set the envelope from the same list of unknowns.
    #[inline]
    pub fn add(&mut self, i: usize, j: usize, value: f64) {
        let (first, start) = self.row(i);
        debug_assert!(j <= i && j >= first, "row {i} column {j}");
        self.values[start + j - first] += value;
    }

    /// Adds to several entries of row `i`, as [`Envelope::add`] does to one.
    #[inline]
    pub fn add_row(&mut self, i: usize, columns: &[usize], values: &[f64]) {
        let (first, start) = self.row(i);
        let row = &mut self.values[start..=start + i - first];
        for (j, value) in columns.iter().zip(values) {
            row[j - first] += value;
        }
    }

    /// Makes all entries 0.
    pub fn clear(&mut self) {
        self.values.fill(0.0);
    }

    /// The diagonal entry of row `i`.
    pub fn diagonal(&self, i: usize) -> f64 {
        let (first, start) = self.row(i);
        self.values[start + i - first]
    }

    /// The first column of row `i`, and where it is kept.
    #[inline]
    fn row(&self, i: usize) -> (usize, usize) {
        (self.shape.first[i], self.shape.start[i])
    }

    /// The matrix as `L·Lᵀ`. `None` where it is not positive definite.
    pub fn factor(self) -> Option<Factor> {
        let mut l = self;
        let Shape { first: firsts, start } = &*l.shape;
        for i in 0..firsts.len() {
            let (done, row) = l.values.split_at_mut(start[i]);
            let first = firsts[i];
            for j in first..=i {
                let from = first.max(firsts[j]);
                let own = &row[from - first..j - first];
                let sum = if j == i {
                    lanes::dot(own, own)
                } else {
                    lanes::dot(own, &done[start[j] + from - firsts[j]..])
                };
                let rest = row[j - first] - sum;
                row[j - first] = if j < i {
                    rest / done[start[j] + j - firsts[j]]
                } else if rest > 0.0 {
                    rest.sqrt()
                } else {
                    return None;
                };
            }
        }
        Some(Factor(l))
    }
}

/// The Cholesky factor of an [`Envelope`].
#[derive(Clone, Debug)]
pub struct Factor(Envelope);

impl Factor {
    /// Makes every variance `times` as large.
    pub fn loosen(&mut self, times: f64) {
        let root = times.sqrt();
        for value in &mut self.0.values {
            *value /= root;
        }
    }

    /// Solves `L·y = b` in place.
    pub fn solve_lower(&self, b: &mut [f64]) {
        let l = &self.0;
        let begin = b.iter().position(|b| *b != 0.0).unwrap_or(l.len()); // before it y is 0 as well
        for i in begin..l.len() {
            let (first, start) = l.row(i);
            let from = first.max(begin);
            let row = &l.values[start + from - first..=start + i - first];
            let (own, diagonal) = row.split_at(row.len() - 1);
            b[i] = (b[i] - lanes::dot(own, &b[from..i])) / diagonal[0];
        }
    }

    /// Solves `L·Lᵀ·x = b` in place.
    pub fn solve(&self, b: &mut [f64]) {
        self.solve_lower(b);
        let l = &self.0;
        for i in (0..l.len()).rev() {
            let (first, start) = l.row(i);
            let row = &l.values[start..=start + i - first];
            let (own, diagonal) = row.split_at(row.len() - 1);
            b[i] /= diagonal[0];
            let x = b[i];
            for (b, a) in b[first..i].iter_mut().zip(own) {
                *b -= a * x;
            }
        }
    }

    /// `gᵀ·C·g` with `C` the inverse of the matrix: the variance of the linear figure `g·x`.
    pub fn variance(&self, mut g: Vec<f64>) -> f64 {
        self.solve_lower(&mut g);
        lanes::dot(&g, &g)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_system_with_short_rows_is_solved_like_a_full_one() {
        // rows 0–2 a chain, row 3 meets all; solution chosen, right side by hand
        let dense = [
            [4.0, 1.0, 0.0, 0.5],
            [1.0, 5.0, 2.0, 0.25],
            [0.0, 2.0, 6.0, 1.0],
            [0.5, 0.25, 1.0, 3.0],
        ];
        let mut matrix = Envelope::new(vec![0, 0, 1, 0]);
        for i in 0..4 {
            for j in matrix.shape.first[i]..=i {
                matrix.add(i, j, dense[i][j]);
            }
        }
        let want = [1.0, -2.0, 0.5, 3.0];
        let mut b: Vec<f64> =
            dense.iter().map(|row| row.iter().zip(&want).map(|(a, x)| a * x).sum()).collect();
        let factor = matrix.clone().factor().unwrap();
        factor.solve(&mut b);
        for (got, want) in b.iter().zip(want) {
            assert_relative_eq!(*got, want, max_relative = 1e-12);
        }
        // variance of x₀: the first entry of the inverse, by solving for the unit vector
        let mut unit = vec![1.0, 0.0, 0.0, 0.0];
        factor.solve(&mut unit);
        assert_relative_eq!(
            factor.variance(vec![1.0, 0.0, 0.0, 0.0]),
            unit[0],
            max_relative = 1e-12
        );
    }

    #[test]
    fn a_matrix_that_is_not_positive_is_refused() {
        let mut matrix = Envelope::new(vec![0, 0]);
        matrix.add(0, 0, 1.0);
        matrix.add(1, 0, 2.0);
        matrix.add(1, 1, 1.0);
        assert!(matrix.factor().is_none());
    }
}
