//! The part of a sum of decaying exponentials that lies above zero.

/// Halvings of a stretch before a piece is taken as straight.
const DEEPEST: u32 = 10;

/// A piece whose values differ by less than this is taken as straight.
const STRAIGHT: f64 = 1e-3;

/// Terms v·exp(-β²s) of a sum, by their values at both ends of a stretch.
pub(super) struct Terms {
    start: Vec<f64>,
    end: Vec<f64>,
    rate: Vec<f64>,
}

impl Terms {
    pub fn with_capacity(count: usize) -> Self {
        Self {
            start: Vec::with_capacity(count),
            end: Vec::with_capacity(count),
            rate: Vec::with_capacity(count),
        }
    }

    /// Adds a term with its value at the start, its decay over the stretch and its β².
    pub fn push(&mut self, start: f64, factor: f64, rate: f64) {
        self.start.push(start);
        self.end.push(start * factor);
        self.rate.push(rate);
    }
}

/// ∫ max(0, level + Σ terms) ds over a stretch of length `span`.
pub(super) fn area_above_zero(level: f64, terms: &Terms, span: f64) -> f64 {
    piece(level, &terms.start, &terms.end, &terms.rate, span, DEEPEST)
}

/// Each term is monotone, so its ends bound it and their sums bound the whole; where the bounds have one sign
/// the integral is exact, else the piece is halved. A term's middle is the geometric mean of its ends.
fn piece(level: f64, start: &[f64], end: &[f64], rate: &[f64], span: f64, depth: u32) -> f64 {
    let (mut low, mut high, mut first, mut last, mut area) = (level, level, level, level, level * span);
    for ((&start, &end), &rate) in start.iter().zip(end).zip(rate) {
        low += start.min(end);
        high += start.max(end);
        first += start;
        last += end;
        area += (start - end) / rate;
    }
    if high <= 0.0 {
        return 0.0;
    }
    if low >= 0.0 {
        return area;
    }
    if depth == 0 || high - low < STRAIGHT {
        let (less, more) = (first.min(last), first.max(last));
        return if less >= 0.0 {
            area
        } else if more <= 0.0 {
            0.0
        } else {
            span * more * more / (2.0 * (more - less))
        };
    }
    let middle: Vec<f64> =
        start.iter().zip(end).map(|(&start, &end)| (start * end).sqrt().copysign(start)).collect();
    piece(level, start, &middle, rate, span / 2.0, depth - 1)
        + piece(level, &middle, end, rate, span / 2.0, depth - 1)
}
