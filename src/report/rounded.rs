//! Figures of documents for programs: finer than anything that was measured, and no longer than that.

use crate::units::Measured;

/// Six decimals: a millionth of a dB. What is behind them is noise in the file's size.
pub(super) fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// Metres with three.
pub(super) fn millimetres(m: f64) -> f64 {
    (m * 1e3).round() / 1e3
}

/// The figure itself; `None` also where it is no number.
pub(super) fn value(m: Option<Measured>) -> Option<f64> {
    m.map(|m| rounded(m.value)).filter(|value| value.is_finite())
}

/// Its standard deviation.
pub(super) fn sigma(m: Option<Measured>) -> Option<f64> {
    m.map(|m| rounded(m.sigma)).filter(|sigma| sigma.is_finite())
}
