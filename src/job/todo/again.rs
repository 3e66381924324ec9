//! Measurements of a fibre to make, or to make again in a way that decides.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::open::{self, Ask};
use super::{Direction, Fiber, MEASURE_AGAIN, NO_LIMIT, Row, Severity, Station, Task, TestVerdict};
use super::{by_words, is_of_several, is_repair, station, wavelengths};

/// All tasks of a fibre that are measurements, and what is undecided and no measurement decides.
pub(super) fn tasks(fiber: &Fiber) -> Vec<Task> {
    let mut measure: Vec<((Station, String), u16)> = Vec::new();
    let mut in_vain: Vec<((String, String), u16)> = Vec::new();
    let mut asks: BTreeMap<u16, Vec<Ask>> = BTreeMap::new();
    for row in fiber.rows {
        let (Some(nm), Some(direction)) = (row.wavelength_nm, row.direction) else { continue };
        if row.verdict == TestVerdict::Missing {
            measure.push(((end_of(direction), String::new()), nm));
        } else if row.counts {
            // What fails may have other parts that are open.
            let is_open = matches!(row.verdict, TestVerdict::Undecided | TestVerdict::Fail);
            let own: &[Ask] = if is_open && !fiber.is_unknown(row) && !fiber.is_taken_anew() {
                asks.entry(nm).or_insert_with(|| open::asks(fiber, nm))
            } else {
                &[]
            };
            let again = fiber.again(row, own).map(|how| format!(" again, {how}"));
            measure.extend(again.map(|how| ((end_of(direction), how), nm)));
        }
    }
    for (nm, own) in asks {
        let mut one_end: Vec<String> = Vec::new();
        for ask in own {
            match ask {
                Ask::InVain { place, says } => in_vain.push(((place, says), nm)),
                Ask::OtherEnd { decides } => one_end.push(decides),
                Ask::Again { .. } | Ask::Longer { .. } => {}
            }
        }
        measure.extend(fiber.other_end(nm, &one_end));
    }
    let task = |station, place: &str, does| Task {
        station,
        place: place.to_owned(),
        fiber: Some(fiber.own.fiber),
        does,
    };
    let ends = &fiber.plan.cable.ends;
    let measure = by_words(measure).into_iter().map(|((at, how), nm)| {
        let does = format!("measure {}{how}", wavelengths(nm));
        task(at, &ends[usize::from(at == Station::EndB)], does)
    });
    let in_vain = by_words(in_vain).into_iter().map(|((place, says), nm)| {
        let at_m = fiber.own.joints.iter().find(|j| j.name == place).map(|j| j.at_m);
        let does = format!("undecided at {}: {says}", wavelengths(nm));
        task(station(&place, at_m, fiber.plan), &place, does)
    });
    measure.chain(in_vain).collect()
}

/// How files are replaced that show different lengths.
const UNLIKE: &str = "seeing that it is this fibre: its files show different lengths; or correct the wrong label (relabel)";

fn end_of(direction: Direction) -> Station {
    if direction == Direction::AToB { Station::EndA } else { Station::EndB }
}

impl Fiber<'_> {
    /// Whether nobody knows which fibre a measurement shows, or which of two files counts.
    fn is_unknown(&self, row: &Row) -> bool {
        let is_copy = self.faults_of(row).any(|kind| kind == "copy");
        row.unsettled || is_copy || self.may_be_anothers(row)
    }

    fn may_be_anothers(&self, row: &Row) -> bool {
        let named = self.files_of_unlike_length();
        row.test.is_some_and(|i| named.contains(&self.review.tests[i].path))
    }

    /// The files that show different lengths, of which nobody knows which are this fibre's.
    fn files_of_unlike_length(&self) -> &[PathBuf] {
        let found = self.own.findings.iter().find(|found| is_of_several(found));
        found.map_or(&[], |found| &found.files)
    }

    /// Whether all of it is measured anew once a fault is put right: then nothing is open before that.
    fn is_taken_anew(&self) -> bool {
        let mut faults = self.own.findings.iter().filter(|f| f.severity == Severity::Fault);
        faults.any(|f| matches!(f.kind, "break" | "swapped"))
    }

    /// The faults that name a measurement's file and that measuring again puts right.
    fn faults_of<'a>(&'a self, row: &'a Row) -> impl Iterator<Item = &'static str> + 'a {
        let path = row.test.map(|i| &self.review.tests[i].path);
        let faults = self.own.findings.iter().filter(|f| f.severity == Severity::Fault);
        faults
            .filter(move |f| path.is_some_and(|path| f.files.contains(path)))
            .map(|f| f.kind)
            .filter(|kind| MEASURE_AGAIN.contains(kind))
    }

    /// How a measurement is to be made again: what its own faults and what is undecided ask for, in
    /// one sentence. `None`: it need not be.
    fn again(&self, row: &Row, asks: &[Ask]) -> Option<String> {
        if row.unsettled {
            return row.reasons.first().cloned();
        }
        if self.may_be_anothers(row) {
            return Some(UNLIKE.into());
        }
        let mut how: BTreeSet<String> = BTreeSet::new();
        let mut is_noisy = false;
        for kind in self.faults_of(row) {
            match kind {
                "copy" => return Some(self.copied()),
                "no-cord" => drop(how.insert("with the launch cord".into())),
                "wrong-pulse" => drop(how.insert(self.pulse())),
                _ => is_noisy = true,
            }
        }
        let end = usize::from(row.direction == Some(Direction::BToA));
        for ask in asks {
            if let Ask::Again { how: own, ends } = ask
                && ends[end]
            {
                how.insert(own.clone());
            }
        }
        how.extend(self.averaging(row, asks, is_noisy));
        if how.is_empty() && row.verdict == TestVerdict::Undecided && asks.is_empty() {
            how.extend(self.why(row));
        }
        (!how.is_empty()).then(|| how.into_iter().collect::<Vec<_>>().join("; "))
    }

    fn copied(&self) -> String {
        let copy = self.own.findings.iter().find(|f| f.kind == "copy");
        match copy.and_then(|f| f.evidence.get("of_fiber")) {
            Some(other) => format!("for the file is one recording with fibre {other}'s"),
            None => "for the file is one recording with another's".into(),
        }
    }

    fn pulse(&self) -> String {
        let planned = self.plan.measure.pulse_ns;
        planned.map_or("with the pulse of the others".into(), |ns| format!("with {ns:.0} ns"))
    }

    /// `averaging 96 s instead of 30 s for C2 and C5`
    fn averaging(&self, row: &Row, asks: &[Ask], is_noisy: bool) -> Option<String> {
        let content = row.test.and_then(|i| self.review.tests[i].read())?;
        let end = usize::from(row.direction == Some(Direction::BToA));
        let mut most: Option<f64> = None;
        let mut decides: Vec<&str> = Vec::new();
        for ask in asks {
            if let Ask::Longer { times, decides: what } = ask
                && let Some(times) = times[end]
            {
                most = Some(most.map_or(times, |most: f64| most.max(times)));
                decides.push(what);
            }
        }
        let own_s = content.averaging_s;
        let agreed_s = self.plan.measure.min_averaging_s;
        let agreed_s = agreed_s.filter(|s| own_s.is_some_and(|own| own < *s));
        let lost = content.fades_m.filter(|_| is_noisy).map(|_| "its light is lost on the way");
        let pulse = if lost.is_some() { " or with a longer pulse" } else { "" };
        let words = match (most, own_s, agreed_s) {
            (Some(times), Some(s), _) => format!(
                "averaging {:.0} s instead of {s:.0} s{pulse} for {}",
                (s * times).ceil().max(agreed_s.unwrap_or(0.0)),
                decides.join(" and ")
            ),
            (Some(times), None, _) => {
                format!("averaging {times:.1} times as long{pulse} for {}", decides.join(" and "))
            }
            (None, ..) if !is_noisy => return None,
            (None, _, Some(s)) => format!("averaging {s:.0} s at least{pulse}, as agreed"),
            (None, _, None) => "averaging longer or with a longer pulse".into(),
        };
        Some(lost.map_or(words.clone(), |lost| format!("{words}: {lost}")))
    }

    /// Why it is open, where nothing better is known: nothing where a repair, a missing measurement or
    /// a limit that is not set explains it.
    fn why(&self, row: &Row) -> Option<String> {
        let nm = row.wavelength_nm?;
        let open = self.own.open.iter().find(|open| open.0 == nm).map(|open| open.1.clone());
        let says = open.or_else(|| row.reasons.first().cloned())?;
        let explained = says == NO_LIMIT
            || open::lacks_limit(self.own, nm).is_some()
            || self.is_missing(nm)
            || self.own.findings.iter().any(|f| is_repair(f) || f.kind == "wrong-index");
        (!explained).then_some(says)
    }

    /// A measurement from the end that the plan does not ask for; where it does and it is missing, that
    /// is a task already, and where it is there it did not see the place.
    fn other_end(&self, nm: u16, decides: &[String]) -> Option<((Station, String), u16)> {
        let here = |row: &&Row| row.wavelength_nm == Some(nm) && row.direction.is_some();
        let rows: Vec<&Row> = self.rows.iter().filter(here).collect();
        let is_from = |end| rows.iter().any(|row| row.direction == Some(end));
        let other = match (is_from(Direction::AToB), is_from(Direction::BToA)) {
            (true, false) => Direction::BToA,
            (false, true) => Direction::AToB,
            _ => return None,
        };
        if decides.is_empty() {
            return None;
        }
        let decides = decides.join(" and ");
        let how = format!(" as well: the other end alone does not decide {decides}");
        Some(((end_of(other), how), nm))
    }
}
