//! What the pulse and the receiver make of an edge: closed forms for a few equal poles.
//!
//! Lengths are in samples. The receiver's mean delay of three pole lengths is taken out, as an
//! instrument's zero does, so that an edge at 0 has its equal-area point there.

use crate::signal::lanes::{self, Lanes};

/// Pulse and receiver of a trace.
#[derive(Clone, Copy, Debug)]
pub(super) struct Receiver {
    /// Pulse length.
    pub pulse: f64,
    /// Number of equal poles, 1 to 5: what the strongest reflection shows, else 3. Receivers of one to
    /// five poles of the same variance shift a fitted place by at most 0.002 pulse lengths
    /// (docs/theory.md), but their edges differ by some hundredths of a height.
    pub poles: usize,
    /// Length of each pole.
    pub pole: f64,
    /// Decay length of the slow tail behind a strong reflection.
    pub tail: f64,
}

/// Poles whose effect is followed: behind this many the edge is within 1e-8 of 1.
const SETTLED_POLES: f64 = 24.0;

/// Poles behind which nothing is left to follow: an edge of five is within 2e-11 of 1.
const WHOLE_POLES: f64 = 36.0;

/// Equal poles that a receiver may have.
pub(super) const MOST_POLES: usize = 5;

impl Receiver {
    /// The receiver of so many poles that smears as much: of the same variance.
    pub fn with_poles(&self, poles: usize) -> Receiver {
        Receiver { poles, pole: self.pole * (self.poles as f64 / poles as f64).sqrt(), ..*self }
    }

    /// How far before an event its effect begins.
    pub fn lead(&self) -> f64 {
        self.poles as f64 * self.pole
    }

    /// How far before a reflection its light may show where the receiver is not quite of equal poles:
    /// five in place of three, of the same variance, show 1e-4 of a height here.
    pub fn toe(&self) -> f64 {
        self.lead() + 0.87 * (self.poles as f64).sqrt() * self.pole
    }

    /// How far behind an event both edges have settled.
    pub fn settled(&self) -> f64 {
        self.pulse + SETTLED_POLES * self.pole - self.lead()
    }

    /// How far behind a step it is so nearly whole, within 0.1 % for one to five poles, that means longer
    /// than a sixth of a pulse follow the rest.
    pub fn clear_of_step(&self) -> f64 {
        self.pulse + 8.0 * self.pole
    }

    /// How far behind an event its slow tail is followed.
    pub fn tail_reach(&self) -> f64 {
        self.pulse + 14.0 * self.tail
    }

    /// A unit edge at `x` behind it, its integral from the beginning, and its change per sample.
    #[inline]
    fn edge<const POLES: usize>(&self, x: Lanes) -> (Lanes, Lanes, Lanes) {
        let poles = Lanes::splat(POLES as f64);
        let y = x * (1.0 / self.pole) + poles;
        let begun = y.simd_gt(Lanes::ZERO);
        // Hardly ever are both edges of a pulse under way at one place.
        if !begun.any() {
            return (Lanes::ZERO, Lanes::ZERO, Lanes::ZERO);
        }
        if y.simd_gt(Lanes::splat(WHOLE_POLES)).all() {
            return (Lanes::ONE, x, Lanes::ZERO);
        }
        let y = begun.select(y, Lanes::ZERO);
        // Of the terms y^k/k!: their sum, their sum weighted by the poles that are left, the last.
        let (mut term, mut sum, mut weighted) = (Lanes::ONE, Lanes::ONE, poles);
        for k in 1..POLES {
            term *= y * (1.0 / k as f64);
            sum += term;
            weighted += term * (POLES - k) as f64;
        }
        let e = lanes::exp(-y);
        let impulse = begun.select(e * term * (1.0 / self.pole), Lanes::ZERO);
        (Lanes::ONE - e * sum, (y - poles + e * weighted) * self.pole, impulse)
    }

    /// Highest value of the answer to a unit impulse, per sample.
    pub fn impulse_top(&self) -> f64 {
        let top = self.poles as f64 - 1.0;
        let term: f64 = (1..self.poles).map(|k| top / k as f64).product();
        term * (-top).exp() / self.pole
    }

    /// Everything an event shows at `x` behind its place.
    pub fn shape_at(&self, x: f64) -> Shape<f64> {
        if x >= self.settled() {
            return Shape { rect: 0.0, ramp: 1.0, by_place: 0.0, by_pole: 0.0, ramp_by_pole: 0.0 };
        }
        let shape = self.shape(Lanes::splat(x));
        let first = |lanes: Lanes| lanes.to_array()[0];
        Shape {
            rect: first(shape.rect),
            ramp: first(shape.ramp),
            by_place: first(shape.by_place),
            by_pole: first(shape.by_pole),
            ramp_by_pole: first(shape.ramp_by_pole),
        }
    }

    /// The same at several places.
    #[inline]
    pub fn shape(&self, x: Lanes) -> Shape<Lanes> {
        match self.poles {
            1 => self.shape_of::<1>(x),
            2 => self.shape_of::<2>(x),
            3 => self.shape_of::<3>(x),
            4 => self.shape_of::<4>(x),
            _ => self.shape_of::<5>(x),
        }
    }

    #[inline]
    fn shape_of<const POLES: usize>(&self, x: Lanes) -> Shape<Lanes> {
        let behind = x - self.pulse;
        let (front, front_sum, front_h) = self.edge::<POLES>(x);
        let (back, back_sum, back_h) = self.edge::<POLES>(behind);
        Shape {
            rect: front - back,
            ramp: (front_sum - back_sum) * (1.0 / self.pulse),
            by_place: front_h - back_h,
            // ∂edge/∂pole = impulse·(-x/pole), each edge from its own place
            by_pole: (back_h * behind - front_h * x) * (1.0 / self.pole),
            // of the integral: (integral - x·edge)/pole, for its own change per sample is the edge
            ramp_by_pole: (front_sum - x * front - back_sum + behind * back)
                * (1.0 / (self.pole * self.pulse)),
        }
    }

    /// The slow tail of a reflection of height 1.
    pub fn tail_at(&self, x: f64) -> f64 {
        let e = |x: f64| (-x.max(0.0) / self.tail).exp();
        e(x - self.pulse) - e(x)
    }

    /// The same at several places, and its change with the tail's length.
    #[inline]
    pub fn tail(&self, x: Lanes) -> (Lanes, Lanes) {
        let rate = 1.0 / self.tail;
        let far_x = x.fast_max(Lanes::ZERO);
        let near_x = (x - self.pulse).fast_max(Lanes::ZERO); // 0 while the pulse lasts
        let near = lanes::exp(near_x * -rate);
        // Behind the pulse the beginning's decay is as far on as the pulse is long.
        let mut far = near * (-self.pulse * rate).exp();
        let inside = x.simd_lt(Lanes::splat(self.pulse));
        if inside.any() {
            far = inside.select(lanes::exp(far_x * -rate), far);
        }
        (near - far, (near_x * near - far_x * far) * (rate * rate))
    }
}

/// The effect of an event at one place, or at several.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape<N> {
    /// A reflection of height 1.
    pub rect: N,
    /// Share of the light that comes from behind the event.
    pub ramp: N,
    /// Change of `rect` per sample along the trace.
    pub by_place: N,
    /// Change of `rect` with the pole length.
    pub by_pole: N,
    /// Change of `ramp` with the pole length.
    pub ramp_by_pole: N,
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const GOLDEN: Receiver = Receiver { pulse: 10.210_915, poles: 3, pole: 0.828_525, tail: 30.0 };

    #[test]
    fn a_reflection_through_three_poles_has_the_golden_heights() {
        // M5: R -50 dB, B -82 dB, 100 ns, loss 0.3 dB at 1500.2 m, slope 0.19 dB/km; computed by
        // formula and checked by quadrature, docs/theory.md
        let ratio = 10.0_f64.powf((-50.0 + 82.0 - 20.0) / 10.0);
        let k = 5.0 / std::f64::consts::LN_10;
        for (x, level) in [(1498.0, -0.109_115), (1500.0, 4.545_622), (1505.0, 5.825_775)] {
            let shape = GOLDEN.shape_at(x - 1500.2);
            // the mean of the falling line over one pulse lies at its middle
            let line = |z: f64| (-(z - 5.105_457) * 0.19e-3 / k).exp();
            let left = line(x + 10.210_915 / 2.0 - 5.105_457);
            let (before, behind) = (left, left * (-0.3 / k).exp());
            let at_event = line(1500.2 + 5.105_457);
            let p =
                before * (1.0 - shape.ramp) + behind * shape.ramp + ratio * at_event * shape.rect;
            assert_abs_diff_eq!(k * p.ln(), level, epsilon = 3e-3);
        }
    }

    #[test]
    fn derivatives_are_differences() {
        for poles in 1..=5 {
            derivatives_are_differences_of(Receiver { poles, ..GOLDEN });
        }
    }

    fn derivatives_are_differences_of(receiver: Receiver) {
        let step = 1e-5;
        for x in [-2.0, -0.3, 0.4, 3.0, 9.0, 10.5, 13.0, 40.0] {
            let shape = receiver.shape_at(x);
            let by_place = (receiver.shape_at(x + step).rect - receiver.shape_at(x - step).rect)
                / (2.0 * step);
            assert_abs_diff_eq!(shape.by_place, by_place, epsilon = 1e-6);
            let with = |pole: f64| Receiver { pole, ..receiver }.shape_at(x).rect;
            let by_pole = (with(receiver.pole + step) - with(receiver.pole - step)) / (2.0 * step);
            assert_abs_diff_eq!(shape.by_pole, by_pole, epsilon = 1e-6);
            let with = |pole: f64| Receiver { pole, ..receiver }.shape_at(x).ramp;
            let by_pole = (with(receiver.pole + step) - with(receiver.pole - step)) / (2.0 * step);
            assert_abs_diff_eq!(shape.ramp_by_pole, by_pole, epsilon = 1e-6);
            let ramp = (receiver.shape_at(x + step).ramp - receiver.shape_at(x - step).ramp)
                / (2.0 * step);
            assert_abs_diff_eq!(shape.rect / receiver.pulse, ramp, epsilon = 1e-6);
            let with = |tail: f64| Receiver { tail, ..receiver }.tail_at(x);
            let by_tail = (with(GOLDEN.tail + step) - with(GOLDEN.tail - step)) / (2.0 * step);
            let (tails, changes) = receiver.tail(Lanes::splat(x));
            assert_abs_diff_eq!(changes.to_array()[0], by_tail, epsilon = 1e-6);
            assert_abs_diff_eq!(tails.to_array()[0], receiver.tail_at(x), epsilon = 1e-12);
        }
    }
}
