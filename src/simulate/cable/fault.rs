//! What can be wrong with one fibre of a cable, and what a reviewer must and must not say of it.

use std::collections::BTreeMap;

use serde::{Serialize, Serializer};

use super::super::truth::rounded;

/// What is planted in a fibre, or looks wrong and is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Planted {
    /// A splice with far too much loss.
    HighSplice,
    /// A bend in a closure: far more loss at the longer wavelength.
    Bend,
    /// A connector that loses too much.
    DirtyConnector,
    /// A connector that reflects too much.
    ReflectiveConnector,
    /// The fibre is in two.
    Break,
    /// Every file of another fibre was stored under this fibre's number; takes two fibres.
    Copy,
    /// The files of two fibres bear each other's number from end b only; takes two fibres.
    Swap,
    /// One file was never taken.
    Missing,
    /// Harmless: a bad splice was measured, made anew, and measured again.
    Retest,
    /// Harmless: glass of another make, a loss from one end and a gain from the other.
    Mismatch,
}

impl Planted {
    /// All of them: what a drawn cable holds unless told otherwise.
    pub const ALL: [Planted; 10] = [
        Planted::HighSplice,
        Planted::Bend,
        Planted::DirtyConnector,
        Planted::ReflectiveConnector,
        Planted::Break,
        Planted::Copy,
        Planted::Swap,
        Planted::Missing,
        Planted::Retest,
        Planted::Mismatch,
    ];

    /// How many fibres it takes.
    pub fn fibers(self) -> usize {
        match self {
            Planted::Copy | Planted::Swap => 2,
            _ => 1,
        }
    }
}

/// A fault with its figures. Closures count from 1, ends are `a` and `b`.
#[expect(missing_docs, reason = "each variant's comment tells its fields, their names the units")]
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// Loss added at a closure, the same at every wavelength.
    HighSplice { closure: usize, loss_db: f64 },
    /// Loss added at a closure at 1550 nm; see [`crate::simulate::Joint::loss_db_at`] for the others.
    Bend { closure: usize, loss_1550_db: f64 },
    /// A connector's loss and reflectance.
    DirtyConnector { end: char, loss_db: f64, reflectance_db: f64 },
    /// A connector's reflectance.
    ReflectiveConnector { end: char, reflectance_db: f64 },
    /// Behind this closure (0: end a), at this share of the way to the next.
    Break { behind: usize, share: f64 },
    /// Its files are those of this fibre.
    CopiedTo { source: usize },
    /// Its files stand under this number too.
    CopiedFrom { to: usize },
    /// From end b its files are those of this fibre.
    Swapped { with: usize },
    /// The file that is not there.
    Missing { nm: u32, from_b: bool },
    /// The first files show this loss at a closure, the later ones a good splice.
    Retest { closure: usize, loss_db: f64 },
    /// The glass behind a closure scatters this much less, up to the next closure.
    Mismatch { closure: usize, step_db: f64 },
}

impl Fault {
    /// Its name in the truth.
    pub fn name(&self) -> &'static str {
        match self {
            Fault::HighSplice { .. } => "high-splice",
            Fault::Bend { .. } => "bend",
            Fault::DirtyConnector { .. } => "dirty-connector",
            Fault::ReflectiveConnector { .. } => "reflective-connector",
            Fault::Break { .. } => "break",
            Fault::CopiedTo { .. } => "copied-to",
            Fault::CopiedFrom { .. } => "copied-from",
            Fault::Swapped { .. } => "swapped",
            Fault::Missing { .. } => "missing",
            Fault::Retest { .. } => "retest",
            Fault::Mismatch { .. } => "backscatter-mismatch",
        }
    }

    /// Whether a reviewer must object to the fibre.
    pub fn is_objection(&self) -> bool {
        !matches!(self, Fault::Retest { .. } | Fault::Mismatch { .. })
    }
}

/// As the truth writes it: an object with its kind, empty where the fibre is sound.
#[expect(clippy::ref_option, reason = "serde gives a reference")]
pub(super) fn write<S: Serializer>(fault: &Option<Fault>, to: S) -> Result<S::Ok, S::Error> {
    let mut fields: BTreeMap<&str, serde_json::Value> = BTreeMap::new();
    let mut put = |key, value: serde_json::Value| {
        fields.insert(key, value);
    };
    if let Some(fault) = fault {
        put("kind", fault.name().into());
    }
    match fault {
        Some(Fault::HighSplice { closure, loss_db } | Fault::Retest { closure, loss_db }) => {
            put("closure", (*closure).into());
            put("loss", rounded(*loss_db).into());
        }
        Some(Fault::Bend { closure, loss_1550_db }) => {
            put("closure", (*closure).into());
            put("loss1550", rounded(*loss_1550_db).into());
        }
        Some(Fault::DirtyConnector { end, loss_db, reflectance_db }) => {
            put("end", end.to_string().into());
            put("loss", rounded(*loss_db).into());
            put("refl", rounded(*reflectance_db).into());
        }
        Some(Fault::ReflectiveConnector { end, reflectance_db }) => {
            put("end", end.to_string().into());
            put("refl", rounded(*reflectance_db).into());
        }
        Some(Fault::Break { behind, share }) => {
            put("section", (*behind).into());
            put("frac", rounded(*share).into());
        }
        Some(Fault::CopiedTo { source }) => put("source", (*source).into()),
        Some(Fault::CopiedFrom { to }) => put("to", (*to).into()),
        Some(Fault::Swapped { with }) => put("with", (*with).into()),
        Some(Fault::Missing { nm, from_b }) => {
            put("wavelength", (*nm).into());
            put("direction", super::direction_name(*from_b).into());
        }
        Some(Fault::Mismatch { closure, step_db }) => {
            put("closure", (*closure).into());
            put("step", rounded(*step_db).into());
        }
        None => {}
    }
    fields.serialize(to)
}

/// One thing a reviewer must find, or must not say.
#[derive(Clone, Debug, PartialEq, Default, Serialize)]
pub struct Finding {
    /// What it is, such as `high-splice`; `any` in what must not be said.
    pub kind: String,
    /// The end, `a` or `b`, of a connector.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<String>,
    /// The closure, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closure: Option<usize>,
    /// Fibre metres from the connector of end a.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_m: Option<f64>,
    /// The other fibre of a copy or a swap.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of: Option<usize>,
    /// The wavelength of a missing file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wavelength_nm: Option<u32>,
    /// The direction of a missing file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub direction: Option<String>,
    /// True loss by wavelength: the mean of both directions.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub mean_loss_db: BTreeMap<String, f64>,
    /// Reflectance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reflectance_db: Option<f64>,
    /// Worth a remark, no fault.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub remark: bool,
    /// Why, for people.
    pub why: String,
}

impl Finding {
    pub(super) fn new(kind: &str, why: &str) -> Finding {
        Finding { kind: kind.into(), why: why.into(), ..Finding::default() }
    }
}
