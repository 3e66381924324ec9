//! A link's loss budget by parts, before anything is measured.

use crate::plan::{JointKind, Plan};

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
}

/// The budget at one wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Its parts: fibre, splices, connectors, splitters, end connectors.
    pub lines: Vec<Line>,
    /// What the plan allows the link. `None`: it sets no figure of its own.
    pub limit_db: Option<f64>,
}

impl Budget {
    /// Sum of all parts in dB.
    pub fn loss_db(&self) -> f64 {
        self.lines.iter().map(Line::loss_db).sum()
    }

    /// What is left of the limit in dB. `None` without one.
    pub fn margin_db(&self) -> Option<f64> {
        self.limit_db.map(|limit| limit - self.loss_db())
    }
}

/// The budget of a plan per wavelength. Parts without an allowance in the plan are listed at 0 dB.
/// `Err`: what the plan does not say.
pub fn of(plan: &Plan) -> Result<Vec<Budget>, String> {
    let length_m = plan
        .cable
        .length_m
        .ok_or("the plan gives no length_m, so there is no budget of its fibre")?;
    let joints = |kind| plan.joints.iter().filter(|j| j.kind == kind).count() as f64;
    plan.measure
        .wavelengths_nm
        .iter()
        .map(|wavelength| {
            let each_db = plan
                .attenuation_limit_db_per_km(f64::from(*wavelength))
                .ok_or(format!("the plan gives no attenuation_db_per_km at {wavelength} nm"))?;
            let line = |part: &str, count, kind| Line {
                part: part.to_owned(),
                count,
                each_db: plan.joint_limit_db(kind).unwrap_or(0.0),
            };
            let mut lines =
                vec![Line { part: "km of fibre".into(), count: length_m / 1000.0, each_db }];
            lines.push(line("splices", joints(JointKind::Splice), JointKind::Splice));
            lines.push(line("connectors", joints(JointKind::Connector), JointKind::Connector));
            lines.push(line("splitters", joints(JointKind::Splitter), JointKind::Splitter));
            lines.push(line("end connectors", 2.0, JointKind::Connector));
            lines.retain(|line| line.count > 0.0);
            let limit_db = plan.link_limit_db(f64::from(*wavelength));
            Ok(Budget { wavelength_nm: *wavelength, lines, limit_db })
        })
        .collect()
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
