//! Sums of numbers given by their logarithms.

/// Sum of numbers given by their logarithms.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LogSum {
    top: f64,
    sum: f64,
}

impl Default for LogSum {
    fn default() -> Self {
        Self {
            top: f64::NEG_INFINITY,
            sum: 0.0,
        }
    }
}

impl LogSum {
    /// Logarithm of the sum of many.
    pub(crate) fn of(logarithms: &[f64]) -> f64 {
        let mut sum = Self::default();
        for &ln in logarithms {
            sum.push(ln);
        }
        sum.ln()
    }

    pub(crate) fn push(&mut self, ln: f64) {
        if ln > self.top {
            self.sum = self.sum * (self.top - ln).exp() + 1.0;
            self.top = ln;
        } else if ln > f64::NEG_INFINITY {
            self.sum += (ln - self.top).exp();
        }
    }

    pub(crate) fn ln(&self) -> f64 {
        self.top + self.sum.max(f64::MIN_POSITIVE).ln()
    }
}
