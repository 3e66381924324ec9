//! Whether a system works over a link: as planned, and as measured.

use super::{Budget, System};
use crate::grade::{self, Limit, Verdict};
use crate::plan::Limits;
use crate::units::Measured;

/// Whether a transmitter and a receiver work over a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Works {
    /// Neither too much nor too little light arrives.
    Yes,
    /// The link loses more than the receiver can make up for.
    No,
    /// The link loses so little that the receiver is overloaded.
    TooMuchLight,
    /// Nothing tells.
    Unknown,
}

impl Works {
    /// In words for people.
    pub fn word(self) -> &'static str {
        match self {
            Works::Yes => "works",
            Works::No => "will not work",
            Works::TooMuchLight => "too much light",
            Works::Unknown => "cannot tell whether it works",
        }
    }
}

/// What a measured link means to a system.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AsMeasured {
    /// Both bounds together.
    pub works: Works,
    /// What is left of the budget, with all its uncertainty.
    pub margin_db: Measured,
    /// Whether enough light arrives.
    pub enough: Verdict,
    /// What the link has to lose at least, and whether it does. `None`: the receiver bears it all.
    pub bears: Option<(f64, Verdict)>,
}

impl AsMeasured {
    /// The worse of both bounds.
    pub fn verdict(&self) -> Verdict {
        self.bears.map_or(self.enough, |(_, bears)| bears.max(self.enough))
    }
}

impl System {
    /// What a link has to lose lest the receiver be overloaded, where that is anything.
    pub fn must_lose_db(&self) -> Option<f64> {
        self.least_loss_db().filter(|least| *least > 0.0)
    }

    /// Over a link that loses what its parts may at most. A budget with parts that nothing is allowed
    /// for never works for sure.
    pub fn over(&self, budget: &Budget) -> Works {
        let loss_db = budget.loss_db();
        let overloaded = self.must_lose_db().is_some_and(|least| loss_db < least);
        match (self.margin_db(loss_db) < 0.0, overloaded, budget.unsaid().next().is_none()) {
            (true, _, _) => Works::No,
            (false, true, _) => Works::TooMuchLight,
            (false, false, true) => Works::Yes,
            (false, false, false) => Works::Unknown,
        }
    }

    /// Over a link whose loss was measured from one end.
    pub fn over_measured(&self, loss_db: Measured, limits: &Limits) -> AsMeasured {
        let loss_db =
            grade::with_linearity(loss_db, limits.linearity_db_per_db).widened(limits.one_way_db);
        let graded = |limit| grade::judge(loss_db, limit, limits.confidence).verdict;
        let enough = graded(Limit::AtMost(self.budget_db()));
        let bears = self.must_lose_db().map(|least| (least, graded(Limit::AtLeast(least))));
        let works = match (enough, bears.map_or(Verdict::Pass, |bears| bears.1)) {
            (Verdict::Fail, _) => Works::No,
            (_, Verdict::Fail) => Works::TooMuchLight,
            (Verdict::Pass, Verdict::Pass) => Works::Yes,
            _ => Works::Unknown,
        };
        let margin_db = Measured::new(self.margin_db(loss_db.value), loss_db.sigma);
        AsMeasured { works, margin_db, enough, bears }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::Line;

    /// 0 dBm to -28 dBm; the receiver bears -8 dBm.
    const SYSTEM: System = System {
        transmitter_dbm: 0.0,
        strongest_dbm: None,
        sensitivity_dbm: -28.0,
        overload_dbm: Some(-8.0),
        penalties_db: 0.0,
        reserve_db: 0.0,
    };

    #[test]
    fn a_planned_link_works_between_both_bounds_and_where_each_part_is_allowed_for() {
        // by hand: 28 dB at most, 8 dB at least
        let budget = |losses: &[f64]| Budget {
            wavelength_nm: 1550,
            lines: losses
                .iter()
                .map(|db| Line { part: "splices".into(), count: 1.0, each_db: *db })
                .collect(),
            limit_db: None,
            min_limit_db: None,
        };
        for (losses, works) in [
            (&[20.0][..], Works::Yes),
            (&[28.5][..], Works::No),
            (&[7.0][..], Works::TooMuchLight),
            (&[20.0, 0.0][..], Works::Unknown),
            (&[29.0, 0.0][..], Works::No),
        ] {
            assert_eq!(SYSTEM.over(&budget(losses)), works, "{losses:?}");
        }
    }

    #[test]
    fn a_measured_link_near_a_bound_cannot_be_told() {
        let limits = Limits::of_presets(&[]);
        let works = |db: f64| SYSTEM.over_measured(Measured::new(db, 0.1), &limits);
        // 0.03 dB a dB of linearity: 20 ± 0.6 dB is far from 8 and 28, 27.5 and 8.2 are not
        assert_eq!(works(20.0).works, Works::Yes);
        assert_eq!(works(27.5).works, Works::Unknown);
        assert_eq!(works(31.0).works, Works::No);
        assert_eq!(works(8.2).works, Works::Unknown);
        assert_eq!((works(7.0).works, works(7.0).verdict()), (Works::TooMuchLight, Verdict::Fail));
    }
}
