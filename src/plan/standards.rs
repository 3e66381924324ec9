//! The limits of open standards: each row a figure with its source, to be checked and overridden.

use super::preset::Part::{
    Attenuation, Connector, Length, LinkLoss, MinLinkLoss, Reflectance, Splice, SpliceMean,
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
const OS1A: Source = source("attenuation ISO/IEC 11801-1:2017, OS1a", Memory);
const OM3: Source = source("attenuation ISO/IEC 11801 and TIA-568, older editions", Quoted);
const OM4: Source = source("attenuation TIA-568.3-D", Memory);
const RETURN_SM: Source = source("return loss ISO/IEC 11801-1:2017 and TIA-568.3-D", Memory);
const RETURN_MM: Source = source("return loss ISO/IEC 11801 and TIA-568, older editions", Quoted);
// joints
const GRADE: Source = source(
    "connector pair IEC 61753-1, edition not seen: 97 % of pairs mated at random lose less",
    Quoted,
);
const RETURN_GRADE: Source =
    source("return loss of a mated pair IEC 61753-1, edition not seen", Memory);
const ROUTE: Source = source(
    "mean of splices ITU-T L.400, edition not seen: there over a route, here over a fibre",
    Quoted,
);
// access networks
const GPON: Source = source("link loss ITU-T G.984.2, edition not seen", Quoted);
const GPON_OLD: Source = source("link loss ITU-T G.984.2, edition not seen", Memory);
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

/// Least and most loss of a class of G.984.2: upstream at 1310, downstream at 1490 nm.
const fn gpon(least: f64, most: f64, class: Source) -> [Figure; 6] {
    [
        row(MinLinkLoss(1310), least, class),
        row(LinkLoss(1310), most, class),
        row(MinLinkLoss(1490), least, class),
        row(LinkLoss(1490), most, class),
        row(MinLinkLoss(1550), least, AT_OTDR),
        row(LinkLoss(1550), most, AT_OTDR),
    ]
}

/// The same of G.9807.1: upstream at 1270, downstream at 1577 nm.
const fn xgs_pon(least: f64, most: f64) -> [Figure; 8] {
    [
        row(MinLinkLoss(1270), least, XGS),
        row(LinkLoss(1270), most, XGS),
        row(MinLinkLoss(1577), least, XGS),
        row(LinkLoss(1577), most, XGS),
        row(MinLinkLoss(1310), least, AT_OTDR),
        row(LinkLoss(1310), most, AT_OTDR),
        row(MinLinkLoss(1550), least, AT_OTDR),
        row(LinkLoss(1550), most, AT_OTDR),
    ]
}

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
        name: "premises-os1a",
        figures: &[
            row(Attenuation(1310), 1.0, OS1A),
            row(Attenuation(1383), 1.0, OS1A),
            row(Attenuation(1550), 1.0, OS1A),
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
    Preset { name: "splice-mean-l400", figures: &[row(SpliceMean, 0.10, ROUTE)] },
    Preset { name: "connector-grade-b", figures: &[row(Connector, 0.25, GRADE)] },
    Preset { name: "connector-grade-c", figures: &[row(Connector, 0.50, GRADE)] },
    Preset { name: "connector-grade-d", figures: &[row(Connector, 1.00, GRADE)] },
    Preset { name: "reflectance-grade-1", figures: &[row(Reflectance, -60.0, RETURN_GRADE)] },
    Preset { name: "reflectance-grade-2", figures: &[row(Reflectance, -45.0, RETURN_GRADE)] },
    Preset { name: "reflectance-grade-3", figures: &[row(Reflectance, -35.0, RETURN_GRADE)] },
    Preset { name: "reflectance-grade-4", figures: &[row(Reflectance, -26.0, RETURN_GRADE)] },
    Preset { name: "pon-a", figures: &gpon(5.0, 20.0, GPON_OLD) },
    Preset { name: "pon-b", figures: &gpon(10.0, 25.0, GPON_OLD) },
    Preset { name: "pon-b-plus", figures: &gpon(13.0, 28.0, GPON) },
    Preset { name: "pon-c", figures: &gpon(15.0, 30.0, GPON_OLD) },
    Preset { name: "pon-c-plus", figures: &gpon(17.0, 32.0, GPON) },
    Preset { name: "pon-d", figures: &gpon(20.0, 35.0, GPON) },
    Preset { name: "pon-n1", figures: &xgs_pon(14.0, 29.0) },
    Preset { name: "pon-n2", figures: &xgs_pon(16.0, 31.0) },
    Preset { name: "pon-e1", figures: &xgs_pon(18.0, 33.0) },
    Preset { name: "pon-e2", figures: &xgs_pon(20.0, 35.0) },
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

    /// Preset, part, limit, source: each figure that there is, from the list that the sources were read for.
    const EXPECTED: &[(&str, Part, f64, &str)] = &[
        (
            "outside-plant-g652d",
            Attenuation(1310),
            0.40,
            "H1: ITU-T G.652 (11/2016), table 2, quoted",
        ),
        ("outside-plant-g652d", Attenuation(1383), 0.40, "H1, the same"),
        (
            "outside-plant-g652d",
            Attenuation(1490),
            0.40,
            "H1, the same: 0.40 holds for 1310 to 1625",
        ),
        ("outside-plant-g652d", Attenuation(1550), 0.30, "H1, the same"),
        ("outside-plant-g652d", Attenuation(1625), 0.40, "H1, the same"),
        ("outside-plant-g652d", Splice, 0.30, "H3: RUS bulletin 1753F-401, quoted"),
        ("outside-plant-g652d", Connector, 0.75, "H3: TIA-568, ISO/IEC 11801, quoted"),
        ("outside-plant-g657", Attenuation(1310), 0.40, "H1: ITU-T G.657, from memory"),
        ("outside-plant-g657", Attenuation(1383), 0.40, "H1, the same"),
        ("outside-plant-g657", Attenuation(1490), 0.40, "H1, as for G.652.D"),
        ("outside-plant-g657", Attenuation(1550), 0.30, "H1, the same"),
        ("outside-plant-g657", Attenuation(1625), 0.40, "H1, the same"),
        ("outside-plant-g657", Splice, 0.30, "H3: RUS bulletin 1753F-401, quoted"),
        ("outside-plant-g657", Connector, 0.75, "H3: TIA-568, ISO/IEC 11801, quoted"),
        ("premises-os2", Attenuation(1310), 0.40, "H1: ISO/IEC 11801-1, from memory"),
        ("premises-os2", Attenuation(1383), 0.40, "H1, the same"),
        ("premises-os2", Attenuation(1550), 0.40, "H1, the same"),
        ("premises-os2", Splice, 0.30, "H3: TIA-568, ISO/IEC 11801, quoted"),
        ("premises-os2", Connector, 0.75, "H3, the same"),
        ("premises-os2", Reflectance, -35.0, "H4: newer editions, from memory"),
        ("premises-os1a", Attenuation(1310), 1.0, "H1: ISO/IEC 11801-1, from memory"),
        ("premises-os1a", Attenuation(1383), 1.0, "H1, the same"),
        ("premises-os1a", Attenuation(1550), 1.0, "H1, the same"),
        ("premises-os1a", Splice, 0.30, "H3: TIA-568, ISO/IEC 11801, quoted"),
        ("premises-os1a", Connector, 0.75, "H3, the same"),
        ("premises-os1a", Reflectance, -35.0, "H4: newer editions, from memory"),
        ("premises-om3", Attenuation(850), 3.5, "H1: older editions, quoted"),
        ("premises-om3", Attenuation(1300), 1.5, "H1, the same"),
        ("premises-om3", Splice, 0.30, "H3: TIA-568, ISO/IEC 11801, quoted"),
        ("premises-om3", Connector, 0.75, "H3, the same"),
        ("premises-om3", Reflectance, -20.0, "H4: older ISO/IEC 11801, TIA-568, quoted"),
        ("premises-om4", Attenuation(850), 3.0, "H1: TIA-568.3-D, from memory"),
        ("premises-om4", Attenuation(1300), 1.5, "H1, the same"),
        ("premises-om4", Splice, 0.30, "H3: TIA-568, ISO/IEC 11801, quoted"),
        ("premises-om4", Connector, 0.75, "H3, the same"),
        ("premises-om4", Reflectance, -20.0, "H4: older ISO/IEC 11801, TIA-568, quoted"),
        ("splice-mean-l400", SpliceMean, 0.10, "H3: ITU-T L.400, quoted"),
        ("connector-grade-b", Connector, 0.25, "H3: IEC 61753-1, 97 % below, quoted"),
        ("connector-grade-c", Connector, 0.50, "H3, the same"),
        ("connector-grade-d", Connector, 1.00, "H3, the same"),
        ("reflectance-grade-1", Reflectance, -60.0, "H3: IEC 61753-1, mated, from memory"),
        ("reflectance-grade-2", Reflectance, -45.0, "H3, the same"),
        ("reflectance-grade-3", Reflectance, -35.0, "H3, the same"),
        ("reflectance-grade-4", Reflectance, -26.0, "H3, the same"),
        ("ethernet-1000base-lx", LinkLoss(1310), 4.57, "H6: from memory"),
        ("ethernet-1000base-lx", Length, 5e3, "H6, the same"),
        ("ethernet-1000base-lx10", LinkLoss(1310), 6.0, "H6: from memory"),
        ("ethernet-1000base-lx10", Length, 10e3, "H6, the same"),
        ("ethernet-10gbase-sr-om3", LinkLoss(850), 2.6, "H6: from memory"),
        ("ethernet-10gbase-sr-om3", Length, 300.0, "IEEE 802.3 clause 52, from memory"),
        ("ethernet-10gbase-sr-om4", LinkLoss(850), 2.9, "H6: from memory"),
        ("ethernet-10gbase-sr-om4", Length, 400.0, "IEEE 802.3 clause 52, from memory"),
        ("ethernet-10gbase-lr", LinkLoss(1310), 6.2, "F17: -8.2 dBm out, -14.4 dBm in, read"),
        ("ethernet-10gbase-lr", Length, 10e3, "IEEE 802.3 clause 52, from memory"),
        ("ethernet-10gbase-er", LinkLoss(1550), 11.0, "F17: IEEE 802.3 list, message 583, read"),
        ("ethernet-10gbase-er", Length, 40e3, "F17, the same"),
        ("ethernet-40gbase-lr4", LinkLoss(1310), 6.7, "H6: from memory"),
        ("ethernet-40gbase-lr4", Length, 10e3, "IEEE 802.3 clause 87, from memory"),
        ("ethernet-100gbase-lr4", LinkLoss(1310), 6.3, "H6: from memory"),
        ("ethernet-100gbase-lr4", Length, 10e3, "IEEE 802.3 clause 88, from memory"),
        ("ethernet-100gbase-er4", LinkLoss(1310), 18.0, "F17: IEEE 802.3 list, message 583, read"),
        ("ethernet-100gbase-er4", Length, 40e3, "F17, the same"),
        ("ethernet-400gbase-dr4", LinkLoss(1310), 3.0, "H6: from memory"),
        ("ethernet-400gbase-dr4", Length, 500.0, "IEEE 802.3 clause 124, from memory"),
        ("ethernet-400gbase-fr4", LinkLoss(1310), 4.0, "H6: from memory"),
        ("ethernet-400gbase-fr4", Length, 2e3, "IEEE 802.3 clause 151, from memory"),
        ("ethernet-400gbase-lr4", LinkLoss(1310), 6.3, "H6: from memory"),
        ("ethernet-400gbase-lr4", Length, 10e3, "IEEE 802.3 clause 151, from memory"),
    ];

    /// Class, least and most loss, wavelengths of its own, source.
    const CLASSES: &[(&str, f64, f64, [u16; 2], &str)] = &[
        ("pon-a", 5.0, 20.0, [1310, 1490], "H5: ITU-T G.984.2, from memory"),
        ("pon-b", 10.0, 25.0, [1310, 1490], "H5, the same"),
        ("pon-b-plus", 13.0, 28.0, [1310, 1490], "H5: ITU-T G.984.2, quoted"),
        ("pon-c", 15.0, 30.0, [1310, 1490], "H5: ITU-T G.984.2, from memory"),
        ("pon-c-plus", 17.0, 32.0, [1310, 1490], "H5: ITU-T G.984.2, quoted"),
        ("pon-d", 20.0, 35.0, [1310, 1490], "H5, the same"),
        ("pon-n1", 14.0, 29.0, [1270, 1577], "H5: ITU-T G.9807.1, quoted"),
        ("pon-n2", 16.0, 31.0, [1270, 1577], "H5, the same"),
        ("pon-e1", 18.0, 33.0, [1270, 1577], "H5, the same"),
        ("pon-e2", 20.0, 35.0, [1270, 1577], "H5, the same"),
    ];

    /// What is on the list, for each figure whether its source stands as the list says.
    fn expected() -> Vec<(&'static str, Part, f64, &'static str)> {
        let mut all = EXPECTED.to_vec();
        for &(name, least, most, own_nm, source) in CLASSES {
            for nm in own_nm {
                all.push((name, MinLinkLoss(nm), least, source));
                all.push((name, LinkLoss(nm), most, source));
            }
            // common practice, no source: the class at wavelengths that OTDRs have
            let otdr = if own_nm[0] == 1310 { vec![1550] } else { vec![1310, 1550] };
            for nm in otdr {
                all.push((name, MinLinkLoss(nm), least, "no source"));
                all.push((name, LinkLoss(nm), most, "no source"));
            }
        }
        all
    }

    #[test]
    fn each_figure_of_a_preset_is_what_its_source_says() {
        let expected = expected();
        for (name, part, limit, source) in &expected {
            let found = Preset::named(name).and_then(|preset| preset.one(*part));
            assert_eq!(found, Some(*limit), "{name} {part:?}: {source}");
        }
        // and none stands there that the list does not have
        let all: usize = PRESETS.iter().map(|preset| preset.figures.len()).sum();
        assert_eq!(all, expected.len());
    }

    #[test]
    fn a_source_is_as_sure_as_the_list_says() {
        for (name, part, _, source) in expected().iter().filter(|row| !row.3.ends_with("the same"))
        {
            let preset = Preset::named(name).expect("a preset");
            let figure = preset.figures.iter().find(|f| f.part == *part).expect("a figure");
            for (word, standing) in [
                ("quoted", Quoted),
                ("from memory", Memory),
                (", read", Read),
                ("no source", Practice),
            ] {
                if source.ends_with(word) {
                    assert_eq!(figure.source.standing, standing, "{name} {part:?}: {source}");
                }
            }
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
