//! The limits of open standards: each row a figure with its source, to be checked and overridden.

use super::preset::Part::{
    Attenuation, Connector, Length, LinkLoss, MinLinkLoss, Reflectance, Splice,
};
use super::preset::Standing::{Memory, Practice, Quoted, Read};
use super::preset::{Figure, Part, Preset, Source, Standing};

const fn source(text: &'static str, standing: Standing) -> Source {
    Source { text, standing }
}

const fn row(part: Part, value: f64, source: Source) -> Figure {
    Figure { part, value, source }
}

// outside plant
const G652: Source = source("attenuation of cable ITU-T G.652 (11/2016), table 2", Quoted);
const G657: Source = source("attenuation of cable ITU-T G.657 (11/2016), table 1", Memory);
const RUS: Source =
    source("splice, mean of both ends, US RUS bulletin 1753F-401, edition not seen", Quoted);
// premises
const PAIR: Source = source("connector pair TIA-568 and ISO/IEC 11801, editions not seen", Quoted);
const JOIN: Source = source("splice TIA-568 and ISO/IEC 11801, editions not seen", Quoted);
const OS2: Source = source("attenuation ISO/IEC 11801-1:2017, OS2", Memory);
const OM3: Source = source("attenuation ISO/IEC 11801 and TIA-568, older editions", Quoted);
const OM4: Source = source("attenuation TIA-568.3-D", Memory);
const RETURN_SM: Source = source("return loss ISO/IEC 11801-1:2017 and TIA-568.3-D", Memory);
const RETURN_MM: Source = source("return loss ISO/IEC 11801 and TIA-568, older editions", Quoted);
// access networks
const GPON: Source = source("link loss ITU-T G.984.2, edition not seen", Quoted);
const XGS: Source = source("link loss ITU-T G.9807.1, edition not seen", Quoted);
const AT_OTDR: Source =
    source("link loss of the class taken for the wavelengths that OTDRs have", Practice);
// Ethernet
const LX: Source = source("IEEE 802.3 clause 38", Memory);
const LX10: Source = source("IEEE 802.3 clause 59", Memory);
const TEN_G: Source = source("IEEE 802.3 clause 52", Memory);
const TEN_G_LR: Source =
    source("channel loss of 10GBASE-LR, Russian ministry rules, table 3 (LAW 65602)", Read);
const TEN_G_ER: Source =
    source("channel loss of 10GBASE-ER, IEEE 802.3 100GNGOPTX list, message 583", Read);
const FORTY_G: Source = source("IEEE 802.3 clause 87", Memory);
const HUNDRED_G: Source = source("IEEE 802.3 clause 88", Memory);
const HUNDRED_G_ER: Source =
    source("channel loss of 100GBASE-ER4, IEEE 802.3 100GNGOPTX list, message 583", Read);
const DR4: Source = source("IEEE 802.3 clause 124", Memory);
const FR4: Source = source("IEEE 802.3 clause 151", Memory);

/// All presets.
pub const PRESETS: &[Preset] = &[
    Preset {
        name: "outside-plant-g652d",
        figures: &[
            row(Attenuation(1310), 0.40, G652),
            row(Attenuation(1383), 0.40, G652),
            row(Attenuation(1490), 0.40, G652),
            row(Attenuation(1550), 0.30, G652),
            row(Attenuation(1625), 0.40, G652),
            row(Splice, 0.30, RUS),
            row(Connector, 0.75, PAIR),
        ],
    },
    Preset {
        name: "outside-plant-g657",
        figures: &[
            row(Attenuation(1310), 0.40, G657),
            row(Attenuation(1383), 0.40, G657),
            row(Attenuation(1490), 0.40, G657),
            row(Attenuation(1550), 0.30, G657),
            row(Attenuation(1625), 0.40, G657),
            row(Splice, 0.30, RUS),
            row(Connector, 0.75, PAIR),
        ],
    },
    Preset {
        name: "premises-os2",
        figures: &[
            row(Attenuation(1310), 0.40, OS2),
            row(Attenuation(1383), 0.40, OS2),
            row(Attenuation(1550), 0.40, OS2),
            row(Splice, 0.30, JOIN),
            row(Connector, 0.75, PAIR),
            row(Reflectance, -35.0, RETURN_SM),
        ],
    },
    Preset {
        name: "premises-om3",
        figures: &[
            row(Attenuation(850), 3.5, OM3),
            row(Attenuation(1300), 1.5, OM3),
            row(Splice, 0.30, JOIN),
            row(Connector, 0.75, PAIR),
            row(Reflectance, -20.0, RETURN_MM),
        ],
    },
    Preset {
        name: "premises-om4",
        figures: &[
            row(Attenuation(850), 3.0, OM4),
            row(Attenuation(1300), 1.5, OM4),
            row(Splice, 0.30, JOIN),
            row(Connector, 0.75, PAIR),
            row(Reflectance, -20.0, RETURN_MM),
        ],
    },
    // Upstream at 1310, downstream at 1490 nm.
    Preset {
        name: "pon-b-plus",
        figures: &[
            row(MinLinkLoss(1310), 13.0, GPON),
            row(LinkLoss(1310), 28.0, GPON),
            row(MinLinkLoss(1490), 13.0, GPON),
            row(LinkLoss(1490), 28.0, GPON),
            row(MinLinkLoss(1550), 13.0, AT_OTDR),
            row(LinkLoss(1550), 28.0, AT_OTDR),
        ],
    },
    Preset {
        name: "pon-c-plus",
        figures: &[
            row(MinLinkLoss(1310), 17.0, GPON),
            row(LinkLoss(1310), 32.0, GPON),
            row(MinLinkLoss(1490), 17.0, GPON),
            row(LinkLoss(1490), 32.0, GPON),
            row(MinLinkLoss(1550), 17.0, AT_OTDR),
            row(LinkLoss(1550), 32.0, AT_OTDR),
        ],
    },
    // Upstream at 1270, downstream at 1577 nm.
    Preset {
        name: "pon-n1",
        figures: &[
            row(MinLinkLoss(1270), 14.0, XGS),
            row(LinkLoss(1270), 29.0, XGS),
            row(MinLinkLoss(1577), 14.0, XGS),
            row(LinkLoss(1577), 29.0, XGS),
            row(MinLinkLoss(1310), 14.0, AT_OTDR),
            row(LinkLoss(1310), 29.0, AT_OTDR),
            row(MinLinkLoss(1550), 14.0, AT_OTDR),
            row(LinkLoss(1550), 29.0, AT_OTDR),
        ],
    },
    Preset {
        name: "pon-n2",
        figures: &[
            row(MinLinkLoss(1270), 16.0, XGS),
            row(LinkLoss(1270), 31.0, XGS),
            row(MinLinkLoss(1577), 16.0, XGS),
            row(LinkLoss(1577), 31.0, XGS),
            row(MinLinkLoss(1310), 16.0, AT_OTDR),
            row(LinkLoss(1310), 31.0, AT_OTDR),
            row(MinLinkLoss(1550), 16.0, AT_OTDR),
            row(LinkLoss(1550), 31.0, AT_OTDR),
        ],
    },
    Preset {
        name: "ethernet-1000base-lx",
        figures: &[row(LinkLoss(1310), 4.57, LX), row(Length, 5e3, LX)],
    },
    Preset {
        name: "ethernet-1000base-lx10",
        figures: &[row(LinkLoss(1310), 6.0, LX10), row(Length, 10e3, LX10)],
    },
    Preset {
        name: "ethernet-10gbase-sr-om3",
        figures: &[row(LinkLoss(850), 2.6, TEN_G), row(Length, 300.0, TEN_G)],
    },
    Preset {
        name: "ethernet-10gbase-sr-om4",
        figures: &[row(LinkLoss(850), 2.9, TEN_G), row(Length, 400.0, TEN_G)],
    },
    Preset {
        name: "ethernet-10gbase-lr",
        figures: &[row(LinkLoss(1310), 6.2, TEN_G_LR), row(Length, 10e3, TEN_G)],
    },
    Preset {
        name: "ethernet-10gbase-er",
        figures: &[row(LinkLoss(1550), 11.0, TEN_G_ER), row(Length, 40e3, TEN_G_ER)],
    },
    Preset {
        name: "ethernet-40gbase-lr4",
        figures: &[row(LinkLoss(1310), 6.7, FORTY_G), row(Length, 10e3, FORTY_G)],
    },
    Preset {
        name: "ethernet-100gbase-lr4",
        figures: &[row(LinkLoss(1310), 6.3, HUNDRED_G), row(Length, 10e3, HUNDRED_G)],
    },
    Preset {
        name: "ethernet-100gbase-er4",
        figures: &[row(LinkLoss(1310), 18.0, HUNDRED_G_ER), row(Length, 40e3, HUNDRED_G_ER)],
    },
    Preset {
        name: "ethernet-400gbase-dr4",
        figures: &[row(LinkLoss(1310), 3.0, DR4), row(Length, 500.0, DR4)],
    },
    Preset {
        name: "ethernet-400gbase-fr4",
        figures: &[row(LinkLoss(1310), 4.0, FR4), row(Length, 2e3, FR4)],
    },
    Preset {
        name: "ethernet-400gbase-lr4",
        figures: &[row(LinkLoss(1310), 6.3, FR4), row(Length, 10e3, FR4)],
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn presets_hold_what_their_sources_say() {
        // preset, part, limit, source
        let cases = [
            (
                "outside-plant-g652d",
                Attenuation(1310),
                0.40,
                "H1: ITU-T G.652 (11/2016), table 2, quoted",
            ),
            ("outside-plant-g652d", Attenuation(1550), 0.30, "H1, the same"),
            ("outside-plant-g652d", Splice, 0.30, "H3: RUS bulletin 1753F-401, quoted"),
            ("premises-os2", Attenuation(1550), 0.40, "H1: ISO/IEC 11801-1, from memory"),
            ("premises-os2", Connector, 0.75, "H3: TIA-568, ISO/IEC 11801, quoted"),
            ("premises-om3", Attenuation(850), 3.5, "H1: older editions, quoted"),
            ("premises-om4", Attenuation(850), 3.0, "H1: TIA-568.3-D, from memory"),
            ("pon-b-plus", LinkLoss(1490), 28.0, "H5: ITU-T G.984.2, quoted"),
            ("pon-b-plus", MinLinkLoss(1490), 13.0, "H5, the same"),
            ("pon-c-plus", LinkLoss(1310), 32.0, "H5, the same"),
            ("pon-c-plus", MinLinkLoss(1310), 17.0, "H5, the same"),
            ("pon-n1", LinkLoss(1577), 29.0, "H5: ITU-T G.9807.1, quoted"),
            ("pon-n1", MinLinkLoss(1577), 14.0, "H5, the same"),
            ("pon-n2", LinkLoss(1577), 31.0, "H5, the same"),
            ("pon-n2", MinLinkLoss(1577), 16.0, "H5, the same"),
            ("ethernet-1000base-lx", LinkLoss(1310), 4.57, "H6: from memory"),
            ("ethernet-1000base-lx10", LinkLoss(1310), 6.0, "H6: from memory"),
            ("ethernet-10gbase-sr-om3", LinkLoss(850), 2.6, "H6: from memory"),
            ("ethernet-10gbase-sr-om4", LinkLoss(850), 2.9, "H6: from memory"),
            ("ethernet-10gbase-lr", LinkLoss(1310), 6.2, "F17: -8.2 dBm out, -14.4 dBm in, read"),
            (
                "ethernet-10gbase-er",
                LinkLoss(1550),
                11.0,
                "F17: IEEE 802.3 list, message 583, read",
            ),
            ("ethernet-40gbase-lr4", LinkLoss(1310), 6.7, "H6: from memory"),
            ("ethernet-100gbase-lr4", LinkLoss(1310), 6.3, "H6: from memory"),
            (
                "ethernet-100gbase-er4",
                LinkLoss(1310),
                18.0,
                "F17: IEEE 802.3 list, message 583, read",
            ),
            ("ethernet-400gbase-dr4", LinkLoss(1310), 3.0, "H6: from memory"),
            ("ethernet-400gbase-fr4", LinkLoss(1310), 4.0, "H6: from memory"),
            ("ethernet-400gbase-lr4", LinkLoss(1310), 6.3, "H6: from memory"),
        ];
        for (name, part, limit, source) in cases {
            let found = Preset::named(name).and_then(|preset| preset.one(part));
            assert_eq!(found, Some(limit), "{name} {part:?}: {source}");
        }
    }

    #[test]
    fn a_figure_that_no_text_confirms_says_so() {
        let memory = Preset::named("ethernet-40gbase-lr4").expect("a preset").sources();
        assert!(memory.contains("from memory, not confirmed"), "{memory}");
        let habit = Preset::named("pon-n1").expect("a preset").sources();
        assert!(habit.contains("common practice, no source"), "{habit}");
        for preset in PRESETS {
            assert!(
                preset.figures.iter().all(|f| !f.source.text.is_empty() && f.value.is_finite())
            );
        }
    }
}
