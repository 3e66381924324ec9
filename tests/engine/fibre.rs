//! Rendered fibres for Monte Carlo, and what the engine makes of many of them.

use strandline::detect::{self, Cords};
use strandline::event::{Analysis, Event, Role};
use strandline::simulate::{Rendered, Scenario, render_again};
use strandline::units::Measured;

/// A fibre and how it is measured.
#[derive(Clone, Debug)]
pub(super) struct Fibre {
    pub name: &'static str,
    pub pulse_ns: u16,
    pub spacing_m: f64,
    /// Noise below the backscatter at the panel, dB.
    pub range_db: f64,
    pub speckle: f64,
    /// The fields of the scenario's receiver.
    pub receiver: &'static str,
    /// How the fibre ends.
    pub end: &'static str,
    /// Length in metres and what stands behind it, without braces; empty for the end.
    pub sections: Vec<(f64, &'static str)>,
}

impl Fibre {
    /// 8 km at 1550 nm, 100 ns, three poles, nothing on it.
    pub fn plain() -> Fibre {
        Fibre {
            name: "plain",
            pulse_ns: 100,
            spacing_m: 1.0,
            range_db: 15.0,
            speckle: 0.001,
            receiver: "poles = 3, pole_pulses = 0.08",
            end: "open",
            sections: vec![(8000.0, "")],
        }
    }

    /// With new glass and new noise for each seed.
    pub fn scenario(&self, seed: u64) -> Scenario {
        let length_m: f64 = self.sections.iter().map(|(m, _)| m).sum();
        let samples = (1.5 * length_m / self.spacing_m) as usize;
        let mut text = format!(
            "schema = \"strandline.scenario/1\"\nname = \"{}\"\nindex = 1.4682\n\
             seeds = {{ fiber = {seed}, noise = {seed} }}\npanel_reflectance_db = -45.0\n\
             end_b = \"{}\"\nreceiver = {{ {} }}\n[[wavelength]]\nnm = 1550\npulse_ns = {}\n\
             spacing_m = {}\nsamples = {samples}\nbackscatter_db = -82.0\nrange_db = {}\n\
             speckle = {}\n",
            self.name,
            self.end,
            self.receiver,
            self.pulse_ns,
            self.spacing_m,
            self.range_db,
            self.speckle
        );
        for (length_m, then) in &self.sections {
            text += &format!(
                "[[section]]\nlength_m = {length_m}\nattenuation_db_per_km = 0.2\n\
                 backscatter_step_db = 0\n"
            );
            if !then.is_empty() {
                text += &format!("then = {{ {then} }}\n");
            }
        }
        Scenario::from_toml(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
    }

    pub fn rendered(&self, seed: u64) -> Rendered {
        render_again(&self.scenario(seed), seed).remove(0)
    }
}

pub(super) fn analysis(rendered: &Rendered) -> Analysis {
    detect::events(&rendered.trace, &Cords::default())
}

pub(super) fn joints(analysis: &Analysis) -> Vec<&Event> {
    analysis.events.iter().filter(|e| e.role == Role::Joint).collect()
}

/// Where joints were found, in metres from the panel.
pub(super) fn places_m(analysis: &Analysis) -> Vec<f64> {
    joints(analysis).iter().map(|joint| joint.position_m.0).collect()
}

/// How many draws: a few in everyday tests, as many as `STRANDLINE_DRAWS` says for docs/accuracy.md.
pub(super) fn draws(usual: usize) -> usize {
    let wanted = std::env::var("STRANDLINE_DRAWS").ok().and_then(|text| text.parse().ok());
    wanted.unwrap_or(usual)
}

/// Errors over their sigmas.
#[derive(Clone, Debug, Default)]
pub(super) struct Pulls(pub Vec<f64>);

impl Pulls {
    pub fn add(&mut self, found: Measured, truth: f64) {
        self.0.push((found.value - truth) / found.sigma);
    }

    pub fn rms(&self) -> f64 {
        (self.0.iter().map(|p| p * p).sum::<f64>() / self.0.len() as f64).sqrt()
    }

    pub fn mean(&self) -> f64 {
        self.0.iter().sum::<f64>() / self.0.len() as f64
    }

    /// Share inside the 95 % interval, in per cent.
    pub fn inside(&self) -> f64 {
        100.0 * self.0.iter().filter(|p| p.abs() < 1.96).count() as f64 / self.0.len() as f64
    }

    /// The least that may lie inside, in per cent, if 95 % do: fewer come about once in 10,000
    /// (normal approximation of the binomial, 3.72 standard deviations).
    pub fn least_inside(&self) -> f64 {
        100.0 * (0.95 - 3.72 * (0.95 * 0.05 / self.0.len() as f64).sqrt())
    }

    #[track_caller]
    pub fn assert_honest(&self) {
        assert!(self.inside() >= self.least_inside(), "{:.1} % inside", self.inside());
    }
}

pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
