//! What is true of a drawn cable, what a review of it must say, and its plan.

use std::collections::BTreeMap;

use serde::Serialize;

use super::super::truth::rounded;
use super::fault::{self, Fault, Finding};
use super::{Fiber, Size, direction_name};

pub(super) const NOTE: &str = "step_db: apparent extra one-way loss seen from a (from b its sign \
                               changes); loss_db: true loss, the mean of both directions";

/// The truth of a cable. Distances are fibre metres from the connector of end a.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CableTruth {
    /// Cable id.
    pub cable: String,
    /// Names of end a and end b.
    pub ends: [String; 2],
    /// Number of fibres.
    pub fibers: usize,
    /// Wavelengths in nm.
    pub wavelengths: Vec<u32>,
    /// Length of the cord at the instrument.
    pub launch_m: f64,
    /// Length of the cord at the other end.
    pub tail_m: f64,
    /// Number of closures.
    pub closures: usize,
    /// Where they are by the cable's own length.
    pub closure_at_m: Vec<f64>,
    /// Length from connector to connector.
    pub length_m: f64,
    /// Attenuation in dB/km by wavelength.
    pub alpha: BTreeMap<String, f64>,
    /// What the plan allows.
    pub limits: Limits,
    /// Fibres that a review must object to.
    pub flag: Vec<usize>,
    /// Fibres that are worth a remark and no more.
    pub remark: Vec<usize>,
    /// Fibres that a review must leave alone.
    pub leave: Vec<usize>,
    /// What the fields mean.
    pub note: String,
    /// Every file, in order of fibre.
    pub files: Vec<CableFile>,
    /// By fibre number.
    pub fiber: BTreeMap<String, FiberTruth>,
}

/// What the plan allows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// Loss of a splice, mean of both directions.
    pub splice_mean_db: f64,
    /// Loss of a connector.
    pub connector_db: f64,
    /// Reflectance of a connector.
    pub reflectance_db: f64,
}

/// One file of the job.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CableFile {
    /// Its name.
    pub file: String,
    /// The fibre it says it is.
    pub fiber: usize,
    /// Wavelength in nm.
    pub wavelength_nm: u32,
    /// `a-to-b` or `b-to-a`.
    pub direction: String,
    /// The fibre that it really shows.
    pub shows_fiber: usize,
    /// When it was taken, seconds since 1970.
    pub time: u32,
}

/// What is true of one fibre.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FiberTruth {
    /// What is planted. `None`: sound.
    #[serde(serialize_with = "fault::write")]
    pub fault: Option<Fault>,
    /// What a review must find.
    pub expect: Vec<Finding>,
    /// What a review must not say.
    pub must_not: Vec<Finding>,
    /// Length from connector to connector.
    pub length_m: f64,
    /// Attenuation in dB/km by wavelength, mean of all drums.
    pub attenuation_db_per_km: BTreeMap<String, f64>,
    /// Its closures, from end a.
    pub closures: Vec<Closure>,
    /// The connector at end a.
    pub connector_a: Connector,
    /// The connector at end b.
    pub connector_b: Connector,
}

/// One fibre in one closure.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Closure {
    /// Where.
    pub at_m: f64,
    /// True loss by wavelength: the mean of both directions.
    pub loss_db: BTreeMap<String, f64>,
    /// Apparent extra loss seen from a; from b its sign changes.
    pub step_db: f64,
    /// Loss of a bend in it at 1550 nm; 0 without one.
    pub bend1550_db: f64,
}

/// A connector.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Connector {
    /// True loss.
    pub loss_db: f64,
    /// Reflectance.
    pub refl_db: f64,
}

pub(super) fn by_wavelength(size: &Size, figure: impl Fn(u32) -> f64) -> BTreeMap<String, f64> {
    size.wavelengths_nm.iter().map(|nm| (nm.to_string(), rounded(figure(*nm)))).collect()
}

impl CableTruth {
    /// As JSON, one field a line.
    pub fn to_json(&self) -> String {
        let mut json = serde_json::to_string_pretty(self).unwrap_or_default();
        json.push('\n');
        json
    }

    pub(super) fn add(
        &mut self,
        size: &Size,
        number: usize,
        fault: Option<Fault>,
        fiber: &Fiber,
        files: Vec<CableFile>,
    ) {
        match &fault {
            Some(fault) if fault.is_objection() => self.flag.push(number),
            Some(Fault::Retest { .. }) => self.remark.push(number),
            _ => self.leave.push(number),
        }
        self.files.extend(files);
        let closure = |n: usize| Closure {
            at_m: rounded(fiber.closure_at_m(n)),
            loss_db: by_wavelength(size, |nm| fiber.loss_db(n, nm)),
            step_db: rounded(fiber.steps_db[n - 1] - fiber.steps_db[n]),
            bend1550_db: rounded(fiber.bends_1550_db[n - 1]),
        };
        let connector = |(loss_db, refl_db): (f64, f64)| Connector {
            loss_db: rounded(loss_db),
            refl_db: rounded(refl_db),
        };
        let drums = fiber.lengths_m.iter().zip(&fiber.attenuation);
        let mean = drums.map(|(length, slope)| length * slope).sum::<f64>() / fiber.length_m();
        let (expect, must_not) = findings(size, fault.as_ref(), fiber, self);
        let truth = FiberTruth {
            fault,
            expect,
            must_not,
            length_m: rounded(fiber.length_m()),
            attenuation_db_per_km: by_wavelength(size, |nm| self.alpha[&nm.to_string()] * mean),
            closures: (1..fiber.lengths_m.len()).map(closure).collect(),
            connector_a: connector(fiber.connectors[0]),
            connector_b: connector(fiber.connectors[1]),
        };
        self.fiber.insert(number.to_string(), truth);
    }

    /// The `plan.toml` of the job: what the engineer knew before anything was measured.
    pub(super) fn plan(&self, size: &Size) -> String {
        let nm: Vec<String> = size.wavelengths_nm.iter().map(u32::to_string).collect();
        let limits: Vec<String> = (size.wavelengths_nm.iter())
            .map(|nm| format!("{nm} = {}", if *nm <= 1400 { 0.38 } else { 0.25 }))
            .collect();
        let joint = |(i, at_m): (usize, &f64)| {
            format!("[[joint]]\nname = \"C{}\"\nat_m = {at_m:.1}\nkind = \"splice\"\n\n", i + 1)
        };
        let joints: Vec<String> = self.closure_at_m.iter().enumerate().map(joint).collect();
        let joints = joints.concat();
        format!(
            "schema = \"strandline.plan/1\"\n\n\
             [job]\nname = \"{cable} hand-over\"\nsite = \"Harbour ferry line (invented)\"\n\
             operator = \"O. Nobody\"\n\n\
             [cable]\nid = \"{cable}\"\nfibers = \"1-{fibers}\"\nfiber_type = \"G.652.D\"\n\
             ends = [\"{a}\", \"{b}\"]\nlength_m = {length_m:.1}\nfiber_per_sheath = 1.01\n\n\
             [measure]\nwavelengths_nm = [{nm}]\ndirections = \"both\"\nlaunch_m = {launch_m:.1}\n\
             tail_m = {tail_m:.1}\n\n{joints}\
             [limits]\nsplice_db = 0.20\nconnector_db = 0.50\nreflectance_db = -40.0\n\
             attenuation_db_per_km = {{ {limits} }}\nlink_loss_db = \"from parts\"\n\
             confidence = 0.95\n",
            cable = self.cable,
            fibers = self.fibers,
            a = self.ends[0],
            b = self.ends[1],
            length_m = self.length_m,
            nm = nm.join(", "),
            launch_m = self.launch_m,
            tail_m = self.tail_m,
            limits = limits.join(", "),
        )
    }
}

/// What a review must find, and what it must not say.
fn findings(
    size: &Size,
    fault: Option<&Fault>,
    fiber: &Fiber,
    cable: &CableTruth,
) -> (Vec<Finding>, Vec<Finding>) {
    let at_closure = |kind: &str, closure: usize, why: &str| Finding {
        closure: Some(closure),
        at_m: Some(rounded(fiber.closure_at_m(closure))),
        mean_loss_db: by_wavelength(size, |nm| fiber.loss_db(closure, nm)),
        ..Finding::new(kind, why)
    };
    let at_end = |kind: &str, end: char, why: &str| Finding {
        end: Some(end.to_string()),
        at_m: Some(if end == 'a' { 0.0 } else { rounded(fiber.length_m()) }),
        ..Finding::new(kind, why)
    };
    let other =
        |kind: &str, of: usize, why: &str| Finding { of: Some(of), ..Finding::new(kind, why) };
    let copy = "all samples alike in every file of both fibres; one of the two was never measured";
    let (mut expect, mut must_not) = (Vec::new(), Vec::new());
    match fault {
        Some(Fault::HighSplice { closure, .. }) => {
            let why = "mean of both directions above the limit at every wavelength alike";
            expect.push(at_closure("high-splice", *closure, why));
            must_not.push(Finding::new("bend", "the loss is the same at every wavelength"));
        }
        Some(Fault::Bend { closure, .. }) => {
            let why = "much higher at the longer wavelength, alike from both ends";
            expect.push(at_closure("bend", *closure, why));
        }
        Some(Fault::DirtyConnector { end, loss_db, .. }) => {
            let mut finding = at_end("high-connector", *end, "connector loss above the limit");
            finding.mean_loss_db = by_wavelength(size, |_| *loss_db);
            expect.push(finding);
        }
        Some(Fault::ReflectiveConnector { end, reflectance_db }) => {
            let mut finding = at_end("high-reflectance", *end, "reflectance above the limit");
            finding.reflectance_db = Some(rounded(*reflectance_db));
            expect.push(finding);
        }
        Some(Fault::Break { .. }) => {
            let why = "light ends early from both ends, and the two distances add up to the cable";
            let at_m = fiber.break_at_m().map(rounded);
            expect.push(Finding { at_m, ..Finding::new("break", why) });
        }
        Some(Fault::CopiedTo { source: of } | Fault::CopiedFrom { to: of }) => {
            expect.push(other("copy", *of, copy));
        }
        Some(Fault::Swapped { with }) => {
            let why = "from b the files show the other fibre's length and joints";
            expect.push(other("swapped", *with, why));
        }
        Some(Fault::Missing { nm, from_b }) => expect.push(Finding {
            wavelength_nm: Some(*nm),
            direction: Some(direction_name(*from_b).into()),
            ..Finding::new("missing", "no such file")
        }),
        Some(Fault::Retest { closure, .. }) => {
            let finding = Finding { closure: Some(*closure), remark: true, ..Finding::default() };
            let why = "measured twice: worth a remark, no fault";
            expect.push(Finding { kind: "retest".into(), why: why.into(), ..finding });
            let why = "the later test, by the time in the file, is good and supersedes the first";
            must_not.push(at_closure("high-splice", *closure, why));
        }
        Some(Fault::Mismatch { closure, .. }) => {
            let why =
                "a loss from one end, a gain from the other: the mean is low, the glass differs";
            must_not.push(at_closure("high-splice", *closure, why));
            if *closure < cable.closures {
                must_not.push(at_closure("high-splice", closure + 1, why));
            }
        }
        None => must_not.push(Finding::new("any", "sound")),
    }
    (expect, must_not)
}
