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
    let joints = court.own_joints();
    let is_end = |m| m == span.start_m || m == span.end_m;
    let sum = |part, wanted: &dyn Fn(JointKind, bool) -> bool| {
        let own: Vec<_> =
            joints.iter().filter(|e| wanted(court.kind(e), is_end(e.position_m))).collect();
        // What a group shares is counted with its first; the others have no loss of their own.
        let places = own.len();
        let known: Vec<Measured> = own.iter().filter_map(|e| e.loss_db).collect();
        let carried: usize = own.iter().filter(|e| e.loss_db.is_some()).map(|e| e.merged).sum();
        let whole = carried >= places;
        let loss = known.into_iter().fold(Measured::new(0.0, 0.0), Measured::plus);
        MeasuredPart { part, count: places as f64, loss_db: whole.then_some(loss) }
    };
    let mut parts = vec![
        sum("splices", &|kind, end| kind == JointKind::Splice && !end),
        sum("connectors", &|kind, end| kind == JointKind::Connector && !end),
        sum("splitters", &|kind, end| kind == JointKind::Splitter && !end),
        sum("end connectors", &|_, end| end),
    ];
    let others: Option<Vec<Measured>> = parts.iter().map(|part| part.loss_db).collect();
    let fiber = others.map(|others| others.into_iter().fold(loss, Measured::minus));
    parts.retain(|part| part.count > 0.0);
    let length_km = span.length_m.value / 1000.0;
    parts.insert(0, MeasuredPart { part: "km of fibre", count: length_km, loss_db: fiber });
    parts
}
