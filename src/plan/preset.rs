//! Limits from open standards, to begin a plan with. The contract's own limits come first.

use super::PerWavelength;
use super::standards::PRESETS;

/// How sure it is that a source says what stands here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Read in the source itself.
    Read,
    /// Read in a public text that quotes the source.
    Quoted,
    /// Not confirmed by any text at hand: check it before a contract rests on it.
    Memory,
    /// A habit of the trade; no source says it.
    Practice,
}

impl Standing {
    /// Its words behind a source.
    pub fn words(self) -> &'static str {
        match self {
            Standing::Read => "read",
            Standing::Quoted => "quoted",
            Standing::Memory => "from memory, not confirmed",
            Standing::Practice => "common practice, no source",
        }
    }
}

/// Where a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Source {
    /// Standard and edition, and the place in it where that is known.
    pub text: &'static str,
    /// How sure that is.
    pub standing: Standing,
}

/// What a figure limits. Wavelengths in nm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Largest attenuation of fibre in dB/km.
    Attenuation(u16),
    /// Largest loss of a splice in dB.
    Splice,
    /// Largest mean of a fibre's splices in dB.
    SpliceMean,
    /// Largest loss of a connector pair in dB.
    Connector,
    /// Highest reflectance of a connector, negative dB.
    Reflectance,
    /// Largest loss of the link in dB.
    LinkLoss(u16),
    /// Least loss of the link in dB: with less the receiver is overloaded.
    MinLinkLoss(u16),
    /// Longest link in metres of fibre.
    Length,
}

/// One limit and its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// What it limits.
    pub part: Part,
    /// The limit.
    pub value: f64,
    /// Where it comes from.
    pub source: Source,
}

/// A set of limits, each with its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Preset {
    /// Its name in a plan.
    pub name: &'static str,
    /// Its limits.
    pub figures: &'static [Figure],
}

impl Preset {
    /// The preset of a name.
    pub fn named(name: &str) -> Option<&'static Preset> {
        PRESETS.iter().find(|preset| preset.name == name)
    }

    /// Its limit for a part that has no wavelength.
    pub(super) fn one(&self, part: Part) -> Option<f64> {
        self.figures.iter().find(|figure| figure.part == part).map(|figure| figure.value)
    }

    /// Its limits of a kind by wavelength; `wavelength`: that of a part of this kind.
    pub(super) fn each(&self, wavelength: fn(Part) -> Option<u16>) -> PerWavelength {
        self.figures
            .iter()
            .filter_map(|figure| Some((wavelength(figure.part)?, figure.value)))
            .collect()
    }

    /// Its sources, each once, with how sure each is.
    pub fn sources(&self) -> String {
        let mut seen: Vec<Source> = Vec::new();
        for figure in self.figures {
            if !seen.contains(&figure.source) {
                seen.push(figure.source);
            }
        }
        let words: Vec<String> =
            seen.iter().map(|s| format!("{} ({})", s.text, s.standing.words())).collect();
        words.join("; ")
    }
}
/// The preset to begin with where nobody says which: of a cable for buildings where a trace shows multimode fibre,
/// by its label or its wavelength, else of outside plant. `traces`: wavelength in nm and fibre type of each.
/// Source: ITU-T G.651.1 is multimode fibre, the single-mode ones are G.652 to G.657; below 1200 nm, as at 850,
/// those carry more than one mode (cut-off at most 1260 nm, G.652; from memory).
pub fn usual_preset(traces: impl IntoIterator<Item = (Option<f64>, Option<i16>)>) -> &'static str {
    let is_multimode = |(nm, fiber_type): (Option<f64>, Option<i16>)| {
        fiber_type == Some(651) || nm.is_some_and(|nm| (600.0..1200.0).contains(&nm))
    };
    if traces.into_iter().any(is_multimode) { "premises-om3" } else { "outside-plant-g652d" }
}
