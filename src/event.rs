//! The words of the trade that an analysis is made of: events, sections, the span.
//!
//! An *event* is anything found; a *joint* is an event that counts (splice, connector, bend,
//! splitter); a *section* is the fibre between two events; the *span* runs from the launch connector
//! to the end; an *echo* is light that bounced more than once.

use crate::units::{Measured, PanelM};

/// What an event is to the link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The front panel at 0 m.
    Start,
    /// Something that counts: splice, connector, bend, splitter, a cord's connector.
    Joint,
    /// Where the fibre, or what can be seen of it, stops.
    End,
    /// Light that bounced more than once: listed, never graded, never counted.
    Echo,
}

/// What an event most likely is, as far as one trace can tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Likely {
    /// A fusion or mechanical splice: a step without a reflection.
    Splice,
    /// A connector: a reflection on continuing fibre.
    Connector,
    /// A bend. One trace rarely tells; two wavelengths do.
    Bend,
    /// A splitter: a step of about 3 dB for each doubling of ways.
    Splitter,
    /// The fibre stops without the reflection of a clean end.
    Break,
    /// The fibre stops at a reflecting surface.
    OpenEnd,
    /// Nothing speaks for one cause.
    Unknown,
}

/// The reflection at an event.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Peak {
    /// The receiver took the whole height.
    Whole {
        /// Negative dB. `None` where the fibre before it cannot be measured, or the file does not
        /// state its backscatter.
        reflectance_db: Option<Measured>,
    },
    /// The receiver was at its limit.
    Saturated {
        /// The true reflectance is nearer to 0 than this. `None` as above.
        at_least_db: Option<f64>,
    },
}

/// One event of a trace.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// 1, 2, 3 … along the trace; the start is number 1.
    pub number: usize,
    /// Where the light first meets it.
    pub position_m: PanelM,
    /// One standard deviation of the position, from noise and fit alone: without the index's error.
    pub position_sigma_m: f64,
    /// What it is to the link.
    pub role: Role,
    /// Its reflection. `Some` makes the event reflective.
    pub peak: Option<Peak>,
    /// `None` for the start and for echoes.
    pub likely: Option<Likely>,
    /// Why `likely`, in words.
    pub reason: String,
    /// Apparent one-way loss, positive where light is lost. `None` where it cannot be measured, at
    /// the start, at the end, and inside a group whose first event carries the sum.
    pub loss_db: Option<Measured>,
    /// Lower bound of the loss where the light drops into the noise.
    pub loss_at_least_db: Option<f64>,
    /// How far the event hides the fibre behind it, in metres from its position.
    pub extent_m: f64,
    /// Number of places that share this event's loss: 1, except for the first of a group.
    pub merged: usize,
}

impl Event {
    /// Whether light comes back from it above the backscatter.
    pub fn is_reflective(&self) -> bool {
        self.peak.is_some()
    }

    /// Whether its reflection drove the receiver to its limit.
    pub fn is_saturated(&self) -> bool {
        matches!(self.peak, Some(Peak::Saturated { .. }))
    }

    /// Its reflectance in dB, where it could be measured whole.
    pub fn reflectance_db(&self) -> Option<Measured> {
        match self.peak {
            Some(Peak::Whole { reflectance_db }) => reflectance_db,
            _ => None,
        }
    }
}

/// What a reflection hides behind itself: how near another may follow and still be told, or measured.
///
/// Source: IEC 61746-1 (from memory).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DeadZones {
    /// Event dead zone: the peak's width in metres 1.5 dB below its top. `None` where the peak is lower
    /// than that, cut off, or shared by several places.
    pub event_m: Option<Measured>,
    /// Attenuation dead zone: metres from the event until the trace stays within 0.5 dB of the line
    /// behind it. `None` where the peak is lower than that, cut off, or no fibre lies behind.
    pub attenuation_m: Option<Measured>,
}

/// The fibre between two neighbouring events.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Where it begins.
    pub from_m: PanelM,
    /// Where it ends.
    pub to_m: PanelM,
    /// In dB/km. `None` where no clean fibre is left between both events.
    pub attenuation_db_per_km: Option<Measured>,
}

/// The link without its cords.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// The launch cord's connector, else the panel.
    pub start_m: PanelM,
    /// The tail cord's connector, else the end.
    pub end_m: PanelM,
    /// End minus start, in metres, with the sigma of both places.
    pub length_m: Measured,
    /// From just before the start to just behind the tail cord's connector.
    pub loss_db: Option<Measured>,
    /// Optical return loss referred to the start, positive dB.
    pub orl_db: Option<Measured>,
}

/// What the noise, the receiver and the pulse make of a trace.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Level in dB, on the trace's own scale, at which signal and the noise's standard deviation
    /// are equal. `None` where no noise could be measured.
    pub floor_db: Option<f64>,
    /// Neighbouring samples share their noise: this many count as one.
    pub correlated_samples: f64,
    /// Relative standard deviation of the backscatter itself, which averaging does not reduce.
    pub speckle: f64,
    /// Length of one of the receiver's three equal poles, in metres.
    pub receiver_m: f64,
    /// Where the trace is noise alone from here on. `None` where signal reaches to its last sample.
    pub noise_from_m: Option<PanelM>,
}

/// How the instrument's own event table and this analysis disagree.
#[derive(Clone, Debug, PartialEq)]
pub enum Opinion {
    /// The instrument lists an event that was not found here.
    OnlyInstrument {
        /// Place of the listed event.
        position_m: PanelM,
        /// The listed loss.
        loss_db: f64,
    },
    /// Found here and not listed by the instrument.
    OnlyHere {
        /// `Event::number` of the event.
        number: usize,
    },
    /// Both have it, and the losses differ by more than both uncertainties explain.
    Loss {
        /// `Event::number` of the event.
        number: usize,
        /// What the instrument lists.
        instrument_db: f64,
        /// What was measured here.
        here_db: Measured,
    },
}

/// Everything that was found in one trace.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysis {
    /// In order of position; the first is the start.
    pub events: Vec<Event>,
    /// In order of position.
    pub sections: Vec<Section>,
    /// `None` where no end and no usable fibre was found.
    pub span: Option<Span>,
    /// Noise and receiver.
    pub noise: Noise,
    /// How the instrument's own table differs.
    pub opinions: Vec<Opinion>,
    /// What a reader should know about this analysis, in words.
    pub notes: Vec<String>,
}
