//! What is done to a fibre, and what a review has to say of it.

use strandline::simulate::Random;

use super::style::Style;

/// What is done to one fibre, or looks wrong and is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    Sound,
    HighSplice,
    Bend,
    BendBetween,
    Unplanned,
    Break,
    BreakAtEnd,
    Dirty,
    DirtyPlug,
    Reflective,
    HighSection,
    Swapped,
    Copy,
    CopyFile,
    CopyBack,
    LabelFiber,
    LabelPair,
    LabelEnd,
    LabelWavelength,
    IndexAll,
    IndexOne,
    Pulse,
    Noisy,
    NoisyRetest,
    MissingOne,
    MissingEnd,
    MissingAll,
    Retest,
    RetestBad,
    Mismatch,
    Unreadable,
    OtherCable,
    Table,
    NoCord,
    Length,
    Operator,
    Date,
    Averaging,
    Outlier,
}

pub const ALL: [Fault; 38] = {
    [
        Fault::HighSplice,
        Fault::Bend,
        Fault::BendBetween,
        Fault::Unplanned,
        Fault::Break,
        Fault::BreakAtEnd,
        Fault::Dirty,
        Fault::DirtyPlug,
        Fault::Reflective,
        Fault::HighSection,
        Fault::Swapped,
        Fault::Copy,
        Fault::CopyFile,
        Fault::CopyBack,
        Fault::LabelFiber,
        Fault::LabelPair,
        Fault::LabelEnd,
        Fault::LabelWavelength,
        Fault::IndexAll,
        Fault::IndexOne,
        Fault::Pulse,
        Fault::Noisy,
        Fault::NoisyRetest,
        Fault::MissingOne,
        Fault::MissingEnd,
        Fault::MissingAll,
        Fault::Retest,
        Fault::RetestBad,
        Fault::Mismatch,
        Fault::Unreadable,
        Fault::OtherCable,
        Fault::Table,
        Fault::NoCord,
        Fault::Length,
        Fault::Operator,
        Fault::Date,
        Fault::Averaging,
        Fault::Outlier,
    ]
};

impl Fault {
    /// Whether another fibre takes part.
    pub fn needs_other(self) -> bool {
        matches!(
            self,
            Fault::Swapped | Fault::Copy | Fault::CopyFile | Fault::LabelFiber | Fault::LabelPair
        )
    }

    /// Whether it can be done to this cable.
    pub fn fits(self, style: &Style) -> bool {
        let plugs = style.closures.iter().any(|c| c.plugged);
        match self {
            Fault::DirtyPlug => plugs,
            Fault::HighSplice | Fault::Bend | Fault::Retest | Fault::RetestBad | Fault::Outlier => {
                !style.splices().is_empty()
            }
            Fault::LabelEnd => style.closures.len() >= 3,
            Fault::LabelWavelength => style.nm[0] == 1310,
            Fault::Mismatch => style.closures.len() >= 2,
            _ => true,
        }
    }

    /// Kinds that must be said of the fibre, and of the other one.
    pub fn must(self, style: &Style) -> [&'static [&'static str]; 2] {
        match self {
            Fault::HighSplice | Fault::RetestBad => [&["high-splice"], &[]],
            Fault::Bend | Fault::BendBetween => [&["bend"], &[]],
            Fault::Unplanned => [&["unplanned-event"], &[]],
            Fault::Break | Fault::BreakAtEnd => [&["break"], &[]],
            Fault::Dirty | Fault::DirtyPlug => [&["high-connector"], &[]],
            Fault::Reflective => [&["high-reflectance"], &[]],
            Fault::HighSection => [&["high-attenuation"], &[]],
            Fault::Swapped => [&["swapped"], &["swapped"]],
            Fault::Copy | Fault::CopyFile => [&["copy"], &["copy"]],
            Fault::CopyBack => [&["copy"], &[]],
            Fault::LabelFiber => [&["missing"], &["wrong-label"]],
            Fault::LabelPair => [&["wrong-label"], &["wrong-label"]],
            Fault::LabelEnd | Fault::LabelWavelength => [&["wrong-label"], &[]],
            Fault::IndexAll | Fault::IndexOne => [&["wrong-index"], &[]],
            Fault::Pulse => [&["wrong-pulse"], &[]],
            Fault::Noisy | Fault::NoisyRetest if style.asks_averaging => [&["too-noisy"], &[]],
            Fault::MissingOne
            | Fault::MissingEnd
            | Fault::MissingAll
            | Fault::Unreadable
            | Fault::OtherCable => [&["missing"], &[]],
            Fault::Retest => [&["retest"], &[]],
            Fault::Table => [&["second-opinion"], &[]],
            Fault::NoCord => [&["no-cord"], &[]],
            Fault::Length => [&["length-outlier"], &[]],
            Fault::Operator | Fault::Date | Fault::Averaging => [&["odd-one-out"], &[]],
            // Whether a splice within its limit stands out hangs on the others; short averaging that
            // nobody asked against may do.
            Fault::Sound | Fault::Mismatch | Fault::Outlier | Fault::Noisy | Fault::NoisyRetest => {
                [&[], &[]]
            }
        }
    }

    /// Faults that may be said besides.
    pub fn may(self) -> &'static [&'static str] {
        match self {
            Fault::Dirty => &["high-reflectance"],
            Fault::Noisy | Fault::NoisyRetest => &["too-noisy", "odd-one-out"],
            Fault::Pulse | Fault::Averaging => &["too-noisy"],
            Fault::Outlier => &["loss-outlier"],
            _ => &[],
        }
    }
}

/// Which fibre (from 0) has what, and which other takes part; most are sound.
pub fn deal(style: &Style, random: &mut Random) -> (Vec<Fault>, Vec<Option<(usize, Fault)>>) {
    let shuffled = |mut all: Vec<usize>, random: &mut Random| {
        for i in (1..all.len()).rev() {
            all.swap(i, random.whole(0, i));
        }
        all
    };
    let mut free = shuffled((0..style.fibers).collect(), random);
    let mut faults = vec![Fault::Sound; style.fibers];
    let mut others = vec![None; style.fibers];
    let order = shuffled((0..ALL.len()).collect(), random);
    for fault in order.into_iter().map(|i| ALL[i]).filter(|f| f.fits(style)) {
        if free.len() * 2 < style.fibers + 4 {
            break;
        }
        let Some(own) = free.pop() else { break };
        faults[own] = fault;
        if fault.needs_other() {
            if let Some(other) = free.pop() {
                others[own] = Some((other, fault));
            }
        }
    }
    (faults, others)
}
