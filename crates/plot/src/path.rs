//! Outlines: numbers and commands of SVG path data.

/// A coordinate as text: two decimals, no trailing zeros, never `-0` and never a non-number.
pub(crate) fn number(value: f64) -> String {
    if !value.is_finite() {
        return "0".to_owned();
    }
    // Far outside any picture; keeps the text short and inside the range of f32 renderers.
    let value = value.clamp(-1e6, 1e6);
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

/// Path data under construction. Points that are not finite are left out.
#[derive(Debug, Clone, Default)]
pub(crate) struct Path {
    data: String,
    pen_down: bool,
}

impl Path {
    /// An open line through points.
    pub(crate) fn line(points: impl IntoIterator<Item = (f64, f64)>) -> Self {
        let mut path = Self::default();
        path.add(points);
        path
    }

    /// A closed outline through points.
    pub(crate) fn closed(points: impl IntoIterator<Item = (f64, f64)>) -> Self {
        let mut path = Self::default();
        path.add_closed(points);
        path
    }

    /// Adds an open line; a point that is not finite breaks it.
    pub(crate) fn add(&mut self, points: impl IntoIterator<Item = (f64, f64)>) {
        self.pen_down = false;
        for (x, y) in points {
            if x.is_finite() && y.is_finite() {
                self.data.push(if self.pen_down { 'L' } else { 'M' });
                self.data.push_str(&number(x));
                self.data.push(' ');
                self.data.push_str(&number(y));
                self.pen_down = true;
            } else {
                self.pen_down = false;
            }
        }
    }

    /// Adds a closed outline; points that are not finite are left out.
    pub(crate) fn add_closed(&mut self, points: impl IntoIterator<Item = (f64, f64)>) {
        self.add(points.into_iter().filter(|(x, y)| x.is_finite() && y.is_finite()));
        if self.pen_down {
            self.data.push('Z');
        }
    }

    pub(crate) fn data(&self) -> &str {
        &self.data
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.data.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_finite() {
        assert_eq!(number(1.0), "1");
        assert_eq!(number(-0.001), "0");
        assert_eq!(number(12.345), "12.35");
        assert_eq!(number(100.0), "100");
        assert_eq!(number(f64::NAN), "0");
        assert_eq!(number(f64::INFINITY), "0");
    }

    #[test]
    fn a_missing_point_breaks_a_line() {
        let path = Path::line([(0.0, 0.0), (1.0, 1.0), (f64::NAN, 2.0), (3.0, 3.0), (4.0, 4.5)]);
        assert_eq!(path.data(), "M0 0L1 1M3 3L4 4.5");
        assert!(Path::line([(f64::NAN, 0.0)]).is_empty());
    }

    #[test]
    fn an_outline_is_closed() {
        let path = Path::closed([(0.0, 0.0), (1.0, 0.0), (f64::NAN, 0.5), (0.0, 1.0)]);
        assert_eq!(path.data(), "M0 0L1 0L0 1Z");
    }
}
