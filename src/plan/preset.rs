//! Limits from open standards, to begin a plan with. The contract's own limits come first.

use super::PerWavelength;

/// A set of limits, each from the source named.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Preset {
    /// Its name in a plan.
    pub name: &'static str,
    /// Where its figures come from, with edition, and how sure that is.
    pub source: &'static str,
    /// Attenuation in dB/km by wavelength in nm.
    pub attenuation_db_per_km: &'static [(u16, f64)],
    /// Splice.
    pub splice_db: Option<f64>,
    /// Connector pair.
    pub connector_db: Option<f64>,
    /// Highest reflectance of a connector.
    pub reflectance_db: Option<f64>,
}

impl Preset {
    /// Its attenuation as a table.
    pub fn attenuation(&self) -> PerWavelength {
        self.attenuation_db_per_km.iter().copied().collect()
    }
}

/// All presets. "quoted": read in a public text that quotes the standard; "from memory": not
/// confirmed by any source here.
pub const PRESETS: &[Preset] = &[
    Preset {
        name: "outside-plant-g652d",
        source: "attenuation ITU-T G.652 (11/2016), table 2, quoted; splice 0.30 dB, mean of both ends, US RUS bulletin 1753F-401, quoted; connector 0.75 dB TIA-568 and ISO/IEC 11801, quoted",
        attenuation_db_per_km: &[(1310, 0.40), (1550, 0.30), (1625, 0.40)],
        splice_db: Some(0.30),
        connector_db: Some(0.75),
        reflectance_db: None,
    },
    Preset {
        name: "outside-plant-g657",
        source: "attenuation ITU-T G.657, from memory; splice 0.30 dB US RUS bulletin 1753F-401, quoted; connector 0.75 dB TIA-568 and ISO/IEC 11801, quoted",
        attenuation_db_per_km: &[(1310, 0.40), (1550, 0.30), (1625, 0.40)],
        splice_db: Some(0.30),
        connector_db: Some(0.75),
        reflectance_db: None,
    },
    Preset {
        name: "premises-os2",
        source: "attenuation ISO/IEC 11801-1 OS2, from memory; splice 0.3 dB and connector 0.75 dB ISO/IEC 11801 and TIA-568, quoted; return loss 35 dB ISO/IEC 11801-1:2017, from memory",
        attenuation_db_per_km: &[(1310, 0.40), (1550, 0.40)],
        splice_db: Some(0.30),
        connector_db: Some(0.75),
        reflectance_db: Some(-35.0),
    },
    Preset {
        name: "premises-om3",
        source: "attenuation 3.5 and 1.5 dB/km ISO/IEC 11801 and TIA-568 (older editions), quoted; splice 0.3 dB and connector 0.75 dB, quoted; return loss 20 dB, quoted",
        attenuation_db_per_km: &[(850, 3.5), (1300, 1.5)],
        splice_db: Some(0.30),
        connector_db: Some(0.75),
        reflectance_db: Some(-20.0),
    },
    Preset {
        name: "premises-om4",
        source: "attenuation 3.0 and 1.5 dB/km TIA-568.3-D, from memory; splice 0.3 dB and connector 0.75 dB ISO/IEC 11801 and TIA-568, quoted; return loss 20 dB, quoted",
        attenuation_db_per_km: &[(850, 3.0), (1300, 1.5)],
        splice_db: Some(0.30),
        connector_db: Some(0.75),
        reflectance_db: Some(-20.0),
    },
];

/// The preset of a name.
pub(super) fn named(name: &str) -> Option<&'static Preset> {
    PRESETS.iter().find(|preset| preset.name == name)
}
