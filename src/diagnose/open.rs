//! What was to be judged and was not: what no trace shows, and what a review of the same traces leaves open
//! or objects to. A diagnosis never sounds calmer than that.

use std::collections::{BTreeMap, BTreeSet};

use super::part::{Figure, Part, PartKind};
use super::{Diagnosis, Link, Links, Reference};
use crate::job::{self, Direction, Finding, Review, Severity, Task, Test, TestVerdict};
use crate::plan::Plan;

/// Where no trace shows the link, although a plan or a baseline says what is there.
pub(super) fn unseen(link: &Link, parts: &[Part]) -> Vec<String> {
    if link.reference == Reference::Preset || parts.iter().any(|p| p.kind == PartKind::Break) {
        return Vec::new(); // nothing is known of the link; a break is said as such
    }
    let mut says = Vec::new();
    let all = || link.tests.iter().map(|t| (t.1, t.2));
    for (nm, end, content) in &link.tests {
        let why = job::not_whole(link.plan, (*end, content), all());
        says.extend(why.map(|why| format!("at {nm} nm {why}")));
    }
    let is_hidden = |figure: &Figure| figure.loss_db.is_none() && figure.allowed_db.is_some();
    for part in parts.iter().filter(|part| matches!(part.kind, PartKind::Planned(_))) {
        let hidden: Vec<String> = part
            .figures
            .iter()
            .filter(|figure| is_hidden(figure))
            .map(|figure| figure.wavelength_nm.to_string())
            .collect();
        if !hidden.is_empty() {
            let name = &part.name;
            says.push(format!(
                "the loss of {name} cannot be measured at {} nm",
                hidden.join(" and ")
            ));
        }
    }
    says
}

/// What a review says of one fibre.
pub(super) struct Reviewed {
    open: Vec<String>,
    decides: Vec<Task>,
    faults: Vec<Finding>,
    remarks: Vec<String>,
}

/// Reviews all traces as a diagnosis takes them, by fibre.
pub(super) fn review(links: Links, plan: &Plan) -> BTreeMap<Option<u32>, Reviewed> {
    // Whatever is asked about is judged as one of the plan's fibres, that without a number too.
    let mut fibers: BTreeSet<u32> = plan.cable.fibers.iter().copied().collect();
    fibers.extend(links.keys().flatten());
    let free = (1..=u32::MAX).find(|n| !fibers.contains(n)).unwrap_or(u32::MAX);
    let numbers: BTreeMap<Option<u32>, u32> =
        links.keys().map(|fiber| (*fiber, fiber.unwrap_or(free))).collect();
    fibers.extend(numbers.values());
    let mut plan = plan.clone();
    plan.cable.fibers = fibers.into_iter().collect();
    let tests = links.into_iter().flat_map(|(fiber, own)| {
        let number = numbers[&fiber];
        own.into_iter().map(move |test| taken_as(test, number))
    });
    let review = job::judge(tests.collect(), &plan);
    let of_number = |(fiber, number)| (fiber, Reviewed::of(number, &review, &plan));
    numbers.into_iter().map(of_number).collect()
}

/// A trace with what its labels lack.
fn taken_as(mut test: Test, fiber: u32) -> Test {
    if let Ok(content) = &mut test.content {
        content.fiber = Some(fiber);
        content.own_cable = true;
        content.direction.get_or_insert(Direction::AToB);
    }
    test
}

impl Reviewed {
    fn of(fiber: u32, review: &Review, plan: &Plan) -> Reviewed {
        let own = review.fibers.iter().find(|own| own.fiber == fiber);
        let each = own.map_or(&[] as &[_], |own| &own.open);
        let mut open: Vec<String> =
            each.iter().map(|(nm, says)| format!("at {nm} nm {says}")).collect();
        open.extend(not_measured(fiber, review));
        let findings = own.map_or(&[] as &[Finding], |own| &own.findings);
        let is_fault = |f: &&Finding| f.severity == Severity::Fault && f.kind != "missing";
        let faults = findings.iter().filter(is_fault).cloned().collect();
        let is_remark = |f: &&Finding| f.severity == Severity::Remark && f.next != "nothing";
        let told = findings.iter().filter(is_remark).filter(|f| REMARKS.contains(&f.kind));
        let remarks = told.map(|f| format!("{}; {}", f.says, f.next)).collect();
        Reviewed { open, decides: job::measurements(review, plan, fiber), faults, remarks }
    }

    /// Adds what the diagnosis does not say itself.
    pub(super) fn add_to(self, diagnosis: &mut Diagnosis) {
        let is_ranked = |found: &Finding| {
            job::PLACE_FAULTS.contains(&found.kind)
                && diagnosis.excesses.iter().any(|e| e.part.is_at(found))
        };
        let faults: Vec<Finding> = self.faults.into_iter().filter(|f| !is_ranked(f)).collect();
        diagnosis.faults = faults;
        diagnosis.notes.extend(self.remarks);
        // Where it is broken all else waits for the repair.
        if diagnosis.parts.iter().any(|part| part.kind == PartKind::Break) {
            return;
        }
        let is_new = |says: &String| !diagnosis.unseen.contains(says);
        diagnosis.open = self.open.into_iter().filter(is_new).collect();
        diagnosis.decides = self.decides;
    }
}

/// What no limit stops, and whoever looks for lost dB wants to know.
const REMARKS: [&str; 2] = ["bend", "length-outlier"];

impl Part {
    /// Whether a finding is about this part.
    fn is_at(&self, found: &Finding) -> bool {
        let reach_m = 10.0 + 1e-3 * self.from_m;
        let is_near = |m: f64| m > self.from_m - reach_m && m < self.to_m + reach_m;
        found.place.as_ref() == Some(&self.name) || found.at_m.is_some_and(is_near)
    }
}

/// `1310 and 1550 nm from end b, which the plan asks for: not among these traces`
fn not_measured(fiber: u32, review: &Review) -> Vec<String> {
    let mut missing: BTreeMap<Direction, BTreeSet<u16>> = BTreeMap::new();
    let rows = review.rows.iter().filter(|row| row.fiber == Some(fiber));
    for row in rows.filter(|row| row.verdict == TestVerdict::Missing) {
        if let (Some(end), Some(nm)) = (row.direction, row.wavelength_nm) {
            missing.entry(end).or_default().insert(nm);
        }
    }
    let says = |(end, nm): (Direction, BTreeSet<u16>)| {
        let nm: Vec<String> = nm.iter().map(u16::to_string).collect();
        let end = if end == Direction::AToB { "end a" } else { "end b" };
        let nm = nm.join(" and ");
        format!("the plan asks for {nm} nm from {end}, which is not among these traces")
    };
    missing.into_iter().map(says).collect()
}
