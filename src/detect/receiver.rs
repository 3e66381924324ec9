//! What the pulse and the receiver make of an edge: closed forms for a few equal poles.
//!
//! Lengths are in samples. The receiver's mean delay of three pole lengths is taken out, as an
//! instrument's zero does, so that an edge at 0 has its equal-area point there.

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

/// Poles whose effect is cut off: behind this many the edge is within 1e-8 of 1.
const SETTLED_POLES: f64 = 24.0;

impl Receiver {
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
    fn edge(&self, x: f64) -> (f64, f64, f64) {
        let poles = self.poles as f64;
        let y = x / self.pole + poles;
        if y <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        if y >= SETTLED_POLES {
            return (1.0, x, 0.0);
        }
        // Of the terms y^k/k!: their sum, their sum weighted by the poles that are left, the last.
        let (mut term, mut sum, mut weighted) = (1.0, 1.0, poles);
        for k in 1..self.poles {
            term *= y / k as f64;
            sum += term;
            weighted += (self.poles - k) as f64 * term;
        }
        let e = (-y).exp();
        (1.0 - e * sum, self.pole * (y - poles + e * weighted), e * term / self.pole)
    }

    /// Highest value of the answer to a unit impulse, per sample.
    pub fn impulse_top(&self) -> f64 {
        let top = self.poles as f64 - 1.0;
        let term: f64 = (1..self.poles).map(|k| top / k as f64).product();
        term * (-top).exp() / self.pole
    }

    /// Everything an event shows at `x` behind its place.
    pub fn shape(&self, x: f64) -> Shape {
        let (front, front_sum, front_h) = self.edge(x);
        let (back, back_sum, back_h) = self.edge(x - self.pulse);
        let rect = front - back;
        let ramp = if x >= self.settled() { 1.0 } else { (front_sum - back_sum) / self.pulse };
        // ∂edge/∂pole = impulse·(-x/pole), each edge from its own place
        let by_pole = -(front_h * x - back_h * (x - self.pulse)) / self.pole;
        // of the integral: (integral - x·edge)/pole, for its own change per sample is the edge
        let behind = x - self.pulse;
        let ramp_by_pole =
            (front_sum - x * front - back_sum + behind * back) / (self.pole * self.pulse);
        Shape { rect, ramp, by_place: front_h - back_h, by_pole, ramp_by_pole }
    }

    /// The slow tail of a reflection of height 1, and its change with the tail's length.
    pub fn tail(&self, x: f64) -> (f64, f64) {
        if x <= 0.0 {
            return (0.0, 0.0);
        }
        let far = (-x / self.tail).exp();
        let by_far = x * far / (self.tail * self.tail);
        if x < self.pulse {
            return (1.0 - far, -by_far);
        }
        let near = (-(x - self.pulse) / self.tail).exp();
        (near - far, (x - self.pulse) * near / (self.tail * self.tail) - by_far)
    }
}

/// The effect of an event at one place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// A reflection of height 1.
    pub rect: f64,
    /// Share of the light that comes from behind the event.
    pub ramp: f64,
    /// Change of `rect` per sample along the trace.
    pub by_place: f64,
    /// Change of `rect` with the pole length.
    pub by_pole: f64,
    /// Change of `ramp` with the pole length.
    pub ramp_by_pole: f64,
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
            let shape = GOLDEN.shape(x - 1500.2);
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
            let shape = receiver.shape(x);
            let by_place =
                (receiver.shape(x + step).rect - receiver.shape(x - step).rect) / (2.0 * step);
            assert_abs_diff_eq!(shape.by_place, by_place, epsilon = 1e-6);
            let with = |pole: f64| Receiver { pole, ..receiver }.shape(x).rect;
            let by_pole = (with(receiver.pole + step) - with(receiver.pole - step)) / (2.0 * step);
            assert_abs_diff_eq!(shape.by_pole, by_pole, epsilon = 1e-6);
            let with = |pole: f64| Receiver { pole, ..receiver }.shape(x).ramp;
            let by_pole = (with(receiver.pole + step) - with(receiver.pole - step)) / (2.0 * step);
            assert_abs_diff_eq!(shape.ramp_by_pole, by_pole, epsilon = 1e-6);
            let ramp =
                (receiver.shape(x + step).ramp - receiver.shape(x - step).ramp) / (2.0 * step);
            assert_abs_diff_eq!(shape.rect / receiver.pulse, ramp, epsilon = 1e-6);
            let with = |tail: f64| Receiver { tail, ..receiver }.tail(x).0;
            let by_tail = (with(GOLDEN.tail + step) - with(GOLDEN.tail - step)) / (2.0 * step);
            assert_abs_diff_eq!(receiver.tail(x).1, by_tail, epsilon = 1e-6);
        }
    }
}
