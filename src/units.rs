//! Quantities: a figure with its sigma, distances in their frames, and the conversions between
//! time and metres, power and decibels.
//!
//! Levels here are always on the one-way scale of a trace, `5·log10(power)`: light goes out and
//! back, so a fibre that loses 1 dB once shows 2 dB in power and 1 dB on the trace.

use std::fmt;

/// Speed of light in vacuum in metres per second, exact by the definition of the metre (SI, 1983).
pub const LIGHT_SPEED_M_PER_S: f64 = 299_792_458.0;

/// Relative error of an OTDR's time base, one sigma: from memory of data sheets. Two instruments differ by √2 of it.
pub const TIME_BASE_ERROR: f64 = 2.5e-5;

/// dB on the one-way scale per natural-log unit of power: `5/ln 10`, so that `dy = DB_PER_NEPER·dp/p`.
pub const DB_PER_NEPER: f64 = 5.0 / std::f64::consts::LN_10;

/// A measured figure and its uncertainty.
///
/// `sigma` is one standard deviation in the unit of `value`; a field's name gives that unit. What
/// cannot be measured is `None` of an `Option<Measured>`, never zero or NaN.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// The best estimate.
    pub value: f64,
    /// One standard deviation, at least 0.
    pub sigma: f64,
}

impl Measured {
    /// A figure from its value and one standard deviation.
    pub fn new(value: f64, sigma: f64) -> Measured {
        Measured { value, sigma }
    }

    /// The figure, unless value or sigma is no number: then it was not measured.
    pub fn finite(self) -> Option<Measured> {
        (self.value.is_finite() && self.sigma.is_finite()).then_some(self)
    }

    /// The sum of two figures whose errors are independent.
    /// Source: JCGM 100:2008 (GUM), 5.1.2.
    pub fn plus(self, other: Measured) -> Measured {
        Measured::new(self.value + other.value, self.sigma.hypot(other.sigma))
    }

    /// The difference of two figures whose errors are independent.
    pub fn minus(self, other: Measured) -> Measured {
        Measured::new(self.value - other.value, self.sigma.hypot(other.sigma))
    }

    /// The figure times an exact factor.
    pub fn times(self, factor: f64) -> Measured {
        Measured::new(self.value * factor, self.sigma * factor.abs())
    }

    /// The same value with a further, independent uncertainty of `sigma` on it.
    pub fn widened(self, sigma: f64) -> Measured {
        Measured::new(self.value, self.sigma.hypot(sigma))
    }

    /// The mean of figures whose errors are independent, each weighted by its sigma. `None` of none.
    /// Source: the weighted mean of JCGM 100:2008, 5.1.2, with weights `1/sigma²`.
    pub fn mean(figures: impl IntoIterator<Item = Measured>) -> Option<Measured> {
        let (mut sum, mut weights) = (0.0, 0.0);
        for one in figures {
            let weight = one.sigma.max(LEAST_SIGMA).powi(-2);
            sum += weight * one.value;
            weights += weight;
        }
        (weights > 0.0).then(|| Measured::new(sum / weights, weights.powf(-0.5)))
    }
}

/// A sigma of nothing would take all the weight.
const LEAST_SIGMA: f64 = 1e-9;

/// Thousandths: no instrument's scale is finer in dB, none in metres that anybody digs by.
const MOST_DECIMALS: usize = 3;

/// `0.059 ± 0.012`: sigma to two significant digits at most, as JCGM 100:2008, 7.2.6 asks, the value to
/// the same place; but no more than three decimals, or as many as `{:.1}` says, and a sigma that is
/// smaller than the last of them shows as one of it. A sigma of exactly nothing is not shown.
impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let most = f.precision().unwrap_or(MOST_DECIMALS);
        if !(self.sigma > 0.0 && self.sigma.is_finite()) {
            return f.write_str(&signless(format!("{:.most$}", self.value)));
        }
        // The exponent of the rounded figure: 0.0996 is 0.10, not 0.100.
        let text = format!("{:.1e}", self.sigma);
        let exponent: i32 = text.split('e').nth(1).and_then(|e| e.parse().ok()).unwrap_or(0);
        let decimals = usize::try_from(1 - exponent).unwrap_or(0).min(most);
        let value = signless(format!("{:.decimals$}", self.value));
        let least = 10.0_f64.powi(-(decimals as i32));
        write!(f, "{value} ± {:.decimals$}", self.sigma.max(least))
    }
}

/// A rounded zero has no sign.
fn signless(text: String) -> String {
    if text.trim_start_matches(['-', '0', '.']).is_empty() {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// Metres from the instrument's front panel, launch cord included.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct PanelM(pub f64);

/// A group index of refraction between 1.0 and 2.0, which glass fibre never leaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroupIndex(f64);

impl GroupIndex {
    /// `None` where `index` lies outside 1.0 to 2.0 or is no number.
    pub fn new(index: f64) -> Option<GroupIndex> {
        (1.0..=2.0).contains(&index).then_some(GroupIndex(index))
    }

    /// The bare number.
    pub fn value(self) -> f64 {
        self.0
    }

    /// Metres that light covers in the fibre in `seconds` of one-way time: `t·c/n`.
    pub fn metres(self, seconds: f64) -> f64 {
        seconds * LIGHT_SPEED_M_PER_S / self.0
    }

    /// One-way seconds for `metres` of fibre.
    pub fn seconds(self, metres: f64) -> f64 {
        metres * self.0 / LIGHT_SPEED_M_PER_S
    }

    /// Length of a pulse as a trace shows it, in metres: `c·T/(2n)`, `pulse_ns` in nanoseconds. In
    /// the glass it is twice as long; a trace counts each metre out and back.
    pub fn pulse_m(self, pulse_ns: f64) -> f64 {
        self.metres(pulse_ns * 1e-9) / 2.0
    }
}

/// A unit of length for what people read. Inside the crate every length is in metres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LengthUnit {
    /// Metre.
    M,
    /// Kilometre.
    Km,
    /// International foot, 0.3048 m exactly (1959 agreement).
    Ft,
    /// 1,000 feet.
    Kft,
    /// International mile, 5,280 ft.
    Mi,
}

impl LengthUnit {
    /// Metres in one of this unit.
    pub fn metres(self) -> f64 {
        match self {
            LengthUnit::M => 1.0,
            LengthUnit::Km => 1000.0,
            LengthUnit::Ft => 0.3048,
            LengthUnit::Kft => 304.8,
            LengthUnit::Mi => 1609.344,
        }
    }

    /// Its symbol, as written behind a figure.
    pub fn symbol(self) -> &'static str {
        match self {
            LengthUnit::M => "m",
            LengthUnit::Km => "km",
            LengthUnit::Ft => "ft",
            LengthUnit::Kft => "kft",
            LengthUnit::Mi => "mi",
        }
    }

    /// Decimals that show a length to about a decimetre.
    pub fn decimals(self) -> usize {
        match self {
            LengthUnit::M | LengthUnit::Ft => 1,
            LengthUnit::Km | LengthUnit::Kft | LengthUnit::Mi => 4,
        }
    }
}

impl fmt::Display for LengthUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// Level on the one-way dB scale of a power ratio greater than 0: `5·log10(power)`.
/// Source: IEC 61746-1 and ITU-T G.650.3 Appendix I (from memory).
pub fn level_db(power: f64) -> f64 {
    DB_PER_NEPER * power.ln()
}

/// Power ratio of a level on the one-way dB scale: `10^(level/5)`.
pub fn power(level_db: f64) -> f64 {
    (level_db / DB_PER_NEPER).exp()
}

/// Reflectance in dB of a peak whose power is `ratio` times the backscatter just before it.
///
/// `backscatter_db`: the fibre's backscatter coefficient for a pulse of 1 ns, about -82 at 1550 nm.
/// `R = B + 10·log10(T_ns) + 10·log10(A/p)`. Source: IEC 61746-1 (from memory), docs/theory.md.
pub fn reflectance_db(ratio: f64, backscatter_db: f64, pulse_ns: f64) -> f64 {
    backscatter_db + 10.0 * pulse_ns.log10() + 10.0 * ratio.log10()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn times_become_metres_as_in_worked_examples() {
        // index, one-way seconds, metres, source
        let cases = [
            (1.4682, 0.5e-6, 102.095_238, "C1: c/(2n)·t for 1 µs two-way, definition"),
            (1.4682, 97_948e-10, 2000.0049, "by hand: 97948 · 1e-10 s · 299792458 m/s / 1.4682"),
            (1.4682, 2.5e-9, 0.510_476, "C7: 5 ns two-way between samples, definition"),
        ];
        for (index, seconds, metres, source) in cases {
            let index = GroupIndex::new(index).unwrap();
            let digits = if source.starts_with('C') { 1e-6 } else { 1e-4 };
            assert_abs_diff_eq!(index.metres(seconds), metres, epsilon = digits);
            assert_abs_diff_eq!(index.seconds(index.metres(seconds)), seconds, epsilon = 1e-18);
            println!("{source}");
        }
    }

    #[test]
    fn a_pulse_is_half_as_long_on_the_trace_as_in_the_glass() {
        let index = GroupIndex::new(1.4682).unwrap();
        // C2: c·T/(2n) for 10 ns, 100 ns, 20 µs; definition
        for (pulse_ns, metres) in [(10.0, 1.020_952), (100.0, 10.209_524), (20e3, 2_041.904_768)] {
            assert_abs_diff_eq!(index.pulse_m(pulse_ns), metres, epsilon = 1e-6);
        }
    }

    #[test]
    fn halving_the_power_shows_as_one_and_a_half_db() {
        // B1: 5·log10(2); IEC 61746-1, ITU-T G.650.3 App. I
        assert_abs_diff_eq!(level_db(1.0) - level_db(0.5), 1.505_149_978, epsilon = 1e-6);
        assert_abs_diff_eq!(power(level_db(0.37)), 0.37, epsilon = 1e-12);
    }

    #[test]
    fn an_index_outside_glass_is_refused() {
        for index in [0.0, 0.99, 2.01, -1.4682, f64::NAN, f64::INFINITY] {
            assert_eq!(GroupIndex::new(index), None, "{index}");
        }
    }

    #[test]
    fn lengths_have_their_legal_metres() {
        // C8: international yard, 1959
        assert_abs_diff_eq!(1.5 * LengthUnit::Mi.metres(), 2414.016, epsilon = 1e-9);
        assert_abs_diff_eq!(LengthUnit::Kft.metres(), 304.8, epsilon = 1e-12);
    }

    #[test]
    fn a_sigma_is_shown_to_two_digits_and_the_value_to_the_same_place() {
        // JCGM 100:2008, 7.2.6: standard uncertainties to at most two significant digits
        let cases = [
            (1.2145, 0.0142, "1.214 ± 0.014"),
            (1.2145, 0.0996, "1.21 ± 0.10"),
            (14324.04, 0.351, "14324.04 ± 0.35"),
            // an OTDR's scale has steps of a thousandth of a dB
            (0.12138, 0.0007, "0.121 ± 0.001"),
            (1.2144, 0.0042, "1.214 ± 0.004"),
            (0.5, 0.000_001, "0.500 ± 0.001"),
            (14324.04, 41.6, "14324 ± 42"),
            (-0.000_01, 0.02, "0.000 ± 0.020"),
            (0.5, 0.0, "0.500"),
        ];
        for (value, sigma, text) in cases {
            assert_eq!(Measured::new(value, sigma).to_string(), text);
        }
        // by hand, a place to the decimetre
        assert_eq!(format!("{:.1}", Measured::new(8706.288, 0.057)), "8706.3 ± 0.1");
        assert_eq!(format!("{:.1}", Measured::new(8706.288, 21.3)), "8706 ± 21");
    }

    #[test]
    fn a_weighted_mean_is_nearer_to_the_surer_figure() {
        // by hand: weights 1/0.01² and 1/0.02²: (0.10·4 + 0.20·1)/5 = 0.12, sigma 0.01·√(4/5)
        let both = [Measured::new(0.10, 0.01), Measured::new(0.20, 0.02)];
        let mean = Measured::mean(both).unwrap();
        assert_abs_diff_eq!(mean.value, 0.12, epsilon = 1e-12);
        assert_abs_diff_eq!(mean.sigma, 0.008_944, epsilon = 1e-6);
        assert_eq!(Measured::mean([]), None);
    }

    #[test]
    fn independent_sigmas_add_in_squares() {
        // D7: two readings of 0.02 dB each, their mean 0.0141 dB; GUM 5.1.2
        let mean = Measured::new(0.12, 0.02).plus(Measured::new(-0.04, 0.02)).times(0.5);
        assert_abs_diff_eq!(mean.value, 0.04, epsilon = 1e-12);
        assert_abs_diff_eq!(mean.sigma, 0.0141, epsilon = 1e-4);
    }
}
