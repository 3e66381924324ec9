//! A measured link by the parts of its budget.

use super::Court;
use crate::event::Analysis;
use crate::plan::{JointKind, Plan};
use crate::trace::Trace;
use crate::units::Measured;

/// What the joints of a kind, or all fibre, lose together.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredPart {
    /// The part, in the words of `budget::Line`.
    pub part: &'static str,
    /// How many, or how many kilometres.
    pub count: f64,
    /// Their loss. `None` where one of them could not be measured.
    pub loss_db: Option<Measured>,
}

/// The link of a trace by parts: fibre, splices, connectors, splitters, end connectors. Fibre is what
/// the link loses beyond its joints. Empty without a link, or without a loss of it.
pub fn parts(plan: &Plan, trace: &Trace, analysis: &Analysis) -> Vec<MeasuredPart> {
    let court = Court::of(plan, trace, analysis);
    let Some((span, loss)) = analysis.span.and_then(|span| Some((span, span.loss_db?))) else {
        return Vec::new();
    };
    let of = |part, kind, ends: bool| {
        let is_end = |m| m == span.start_m || m == span.end_m;
        let sum = court.sum(kind, |event| is_end(event.position_m) == ends);
        let loss_db = Some(sum.loss_db).filter(|_| sum.known == sum.count);
        MeasuredPart { part, count: sum.count as f64, loss_db }
    };
    let mut parts = vec![
        of("splices", JointKind::Splice, false),
        of("connectors", JointKind::Connector, false),
        of("splitters", JointKind::Splitter, false),
        of("end connectors", JointKind::Connector, true),
    ];
    let others: Option<Vec<Measured>> = parts.iter().map(|part| part.loss_db).collect();
    let fiber = others.map(|others| others.into_iter().fold(loss, Measured::minus));
    parts.retain(|part| part.count > 0.0);
    let length_km = span.length_m.value / 1000.0;
    parts.insert(0, MeasuredPart { part: "km of fibre", count: length_km, loss_db: fiber });
    parts
}
