//! A link's loss budget by parts, before anything is measured.

mod works;

pub use works::{AsMeasured, Works};

use crate::plan::{JointKind, LinkLimit, Plan};

/// One line: so many of a part at so much each.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The part, in words.
    pub part: String,
    /// How many, or how many kilometres.
    pub count: f64,
    /// Allowance for each in dB.
    pub each_db: f64,
}

impl Line {
    /// Count times allowance.
    pub fn loss_db(&self) -> f64 {
        self.count * self.each_db
    }

    /// Whether the plan allows nothing for it: [`of`] counts it as 0 dB, and no joint loses that.
    pub fn is_unsaid(&self) -> bool {
        self.each_db == 0.0
    }

    /// Its count: pieces as whole numbers, kilometres with three decimals.
    pub fn counted(&self) -> String {
        let count = self.count;
        if count.fract() == 0.0 { format!("{count:.0}") } else { format!("{count:.3}") }
    }
}

/// The budget at one wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Its parts: fibre, splices, connectors, splitters, end connectors.
    pub lines: Vec<Line>,
    /// What the plan allows the link in a figure of its own. `None`: it sets none, or takes the sum
    /// of these parts.
    pub limit_db: Option<f64>,
    /// What the link must lose at least, lest a receiver be overloaded.
    pub min_limit_db: Option<f64>,
}

impl Budget {
    /// Sum of all parts in dB.
    pub fn loss_db(&self) -> f64 {
        self.lines.iter().map(Line::loss_db).sum()
    }

    /// The parts that the plan allows nothing for: with them the sum is the least it can be.
    pub fn unsaid(&self) -> impl Iterator<Item = &Line> {
        self.lines.iter().filter(|line| line.is_unsaid())
    }

    /// Its fibre in metres.
    pub fn length_m(&self) -> f64 {
        self.lines.first().map_or(0.0, |fiber| fiber.count * 1000.0)
    }

    /// What is left of the limit in dB. `None` without one.
    pub fn margin_db(&self) -> Option<f64> {
        self.limit_db.map(|limit| limit - self.loss_db())
    }
}

/// The budget of a plan per wavelength. Parts without an allowance in the plan are listed at 0 dB.
/// `Err`: what the plan does not say.
pub fn of(plan: &Plan) -> Result<Vec<Budget>, String> {
    plan.measure
        .wavelengths_nm
        .iter()
        .map(|wavelength| {
            let nm = f64::from(*wavelength);
            let own = match plan.limits.link_loss_db {
                Some(LinkLimit::PerWavelength(_)) => plan.link_limit_db(nm),
                _ => None,
            };
            Ok(Budget {
                wavelength_nm: *wavelength,
                lines: parts(plan, nm, 2)?,
                limit_db: own,
                min_limit_db: plan.min_link_limit_db(nm),
            })
        })
        .collect()
}

/// The parts that make up the limit "from parts" of a measured link: those of the budget, with the
/// end connectors that the plan's cords show. `None` where the plan does not say enough.
pub fn seen(plan: &Plan, wavelength_nm: f64) -> Option<Vec<Line>> {
    parts(plan, wavelength_nm, plan.seen_end_connectors()).ok()
}

fn parts(plan: &Plan, wavelength_nm: f64, end_connectors: usize) -> Result<Vec<Line>, String> {
    let length_m = plan
        .cable
        .length_m
        .ok_or("the plan gives no length_m, so there is no budget of its fibre")?;
    let each_db = plan
        .attenuation_limit_db_per_km(wavelength_nm)
        .ok_or(format!("the plan gives no attenuation_db_per_km at {wavelength_nm:.0} nm"))?;
    let joints = |kind| plan.joints.iter().filter(|j| j.kind == kind).count();
    let line = |part: &str, count: usize, kind| Line {
        part: part.to_owned(),
        count: count as f64,
        each_db: plan.joint_limit_db(kind).unwrap_or(0.0),
    };
    let mut lines = vec![Line { part: "km of fibre".into(), count: length_m / 1000.0, each_db }];
    lines.push(line("splices", joints(JointKind::Splice), JointKind::Splice));
    lines.push(line("connectors", joints(JointKind::Connector), JointKind::Connector));
    lines.extend(splitters(plan));
    lines.push(line("end connectors", end_connectors, JointKind::Connector));
    lines.retain(|line| line.count > 0.0);
    Ok(lines)
}

/// Splitters, those of a kind in one line.
fn splitters(plan: &Plan) -> Vec<Line> {
    let mut lines: Vec<Line> = Vec::new();
    for joint in plan.joints.iter().filter(|j| j.kind == JointKind::Splitter) {
        let part = joint.ways.map_or("splitters".into(), |ways| format!("splitters 1:{ways}"));
        let each_db = plan.allowance_db(joint).unwrap_or(0.0);
        match lines.iter_mut().find(|line| line.part == part) {
            Some(line) => line.count += 1.0,
            None => lines.push(Line { part, count: 1.0, each_db }),
        }
    }
    lines
}

/// A transmitter, a receiver, and what is kept back between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct System {
    /// Least power of the transmitter in dBm.
    pub transmitter_dbm: f64,
    /// Its highest power in dBm. `None`: as its least.
    pub strongest_dbm: Option<f64>,
    /// Weakest power the receiver works with, in dBm.
    pub sensitivity_dbm: f64,
    /// Strongest power the receiver bears, in dBm. `None`: not known.
    pub overload_dbm: Option<f64>,
    /// What the signal suffers on its way other than loss, such as dispersion, in dB.
    pub penalties_db: f64,
    /// Kept for ageing and repairs, in dB.
    pub reserve_db: f64,
}

impl System {
    /// What the link may lose.
    pub fn budget_db(&self) -> f64 {
        self.transmitter_dbm - self.sensitivity_dbm - self.penalties_db - self.reserve_db
    }

    /// What is left of that over a link with this loss; negative where nothing is.
    pub fn margin_db(&self, loss_db: f64) -> f64 {
        self.budget_db() - loss_db
    }

    /// Least power that arrives over a link with this loss.
    pub fn received_dbm(&self, loss_db: f64) -> f64 {
        self.transmitter_dbm - loss_db
    }

    /// What a link has to lose lest the receiver be overloaded: at least 0. `None` where its bound is
    /// not known.
    pub fn least_loss_db(&self) -> Option<f64> {
        let strongest = self.strongest_dbm.unwrap_or(self.transmitter_dbm);
        self.overload_dbm.map(|most| (strongest - most).max(0.0))
    }
}

/// Loss of an ideal splitter in dB, all ways alike: `10·log10(ways)`.
pub fn even_split_db(ways: u32) -> f64 {
    10.0 * f64::from(ways).log10()
}

/// How far a system reaches, in km of fibre: what its transmitter and receiver leave for fibre after
/// everything else, over the attenuation. `None` where nothing is left.
pub fn reach_km(system_db: f64, other_db: f64, attenuation_db_per_km: f64) -> Option<f64> {
    let left = system_db - other_db;
    (left > 0.0 && attenuation_db_per_km > 0.0).then(|| left / attenuation_db_per_km)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_budget_is_count_times_allowance_line_by_line() {
        let text = r#"
schema = "strandline.plan/1"
[cable]
id = "X"
fibers = "1"
ends = ["A", "B"]
length_m = 20000.0
[measure]
wavelengths_nm = [1550]
[[joint]]
name = "C1"
at_m = 4000.0
kind = "splice"
[[joint]]
name = "C2"
at_m = 9000.0
kind = "splice"
[limits]
splice_db = 0.1
connector_db = 0.5
attenuation_db_per_km = { 1550 = 0.25 }
link_loss_db = { 1550 = 7.0 }
"#;
        let budgets = of(&crate::plan::read(text).expect("a plan")).expect("complete");
        // by hand: 20 km · 0.25 + 2 · 0.1 + 2 · 0.5 = 6.2 dB; 7.0 - 6.2 = 0.8
        assert_abs_diff_eq!(budgets[0].loss_db(), 6.2, epsilon = 1e-9);
        assert_abs_diff_eq!(budgets[0].margin_db().expect("a limit"), 0.8, epsilon = 1e-9);
    }

    #[test]
    fn reach_is_what_is_left_over_attenuation() {
        // by hand: (28 - 3) dB / 0.25 dB/km = 100 km
        assert_eq!(reach_km(28.0, 3.0, 0.25), Some(100.0));
        assert_eq!(reach_km(2.0, 3.0, 0.25), None);
    }
}
