//! F: loss budgets and power budgets. Tolerance 0.005 dB unless more digits stand.

use strandline::budget::{self, Line, System};
use strandline::units::Measured;

use super::near;

/// Count and dB for each.
type Parts<'a> = &'a [(f64, f64)];

/// Sum of parts.
fn sum(parts: Parts) -> f64 {
    parts.iter().map(|(count, each_db)| line(*count, *each_db).loss_db()).sum()
}

fn line(count: f64, each_db: f64) -> Line {
    Line { part: "part".into(), count, each_db }
}

fn system(transmitter_dbm: f64, sensitivity_dbm: f64, reserve_db: f64) -> System {
    System {
        transmitter_dbm,
        strongest_dbm: None,
        sensitivity_dbm,
        overload_dbm: None,
        penalties_db: 0.0,
        reserve_db,
    }
}

fn dbm(mw: f64) -> f64 {
    10.0 * mw.log10()
}

#[test]
fn loss_budgets_are_those_of_published_examples() {
    // parts, loss, source
    let cases: [(Parts, f64, &str); 8] = [
        (
            &[(2.0, 3.0), (5.0, 0.5), (1.0, 0.3)],
            8.8,
            "F1: typical values of the FOA loss budget page; the link from memory",
        ),
        (&[(0.3, 3.5), (2.0, 0.75)], 2.55, "F2: TIA-568 maxima, from memory"),
        (
            &[(10.0, 0.35), (1.0, 0.01), (2.0, 0.5), (1.0, 3.0)],
            7.51,
            "F3: sites.google.com/a/piterow.us, Calculating; margin 3 dB",
        ),
        (
            &[(8.0, 0.4), (4.0, 0.7), (1.0, 18.06), (6.0, 0.2)],
            25.26,
            "F6: ip-noc.com, link loss budget in GPON; the page prints 23.6, having halved 3.2",
        ),
        (
            &[(1.5 * 1.61, 0.4), (1.0, 1.5), (1.0, 17.0), (0.3 * 1.61, 0.4), (1.0, 0.75)],
            20.409,
            "F7: open outside-plant course, topic 5, lesson 12",
        ),
        (
            &[(5.0, 0.35), (1.0, 17.0), (2.0, 0.5), (3.0, 0.1)],
            20.05,
            "F8: unit test of an open access-network planner",
        ),
        (
            &[(2.0, 3.2), (1.6, 1.0), (1.6, 1.0), (4.0, 1.0)],
            13.6,
            "F9: textbook example 8.14; splices 0.8 dB/km, connectors 1.6, margin 4",
        ),
        (
            &[(40.0, 0.4), (5.0, 0.1), (2.0, 0.75), (1.0, 3.0)],
            21.0,
            "F14: widely repeated example, from memory; margin 3 dB",
        ),
    ];
    for (parts, loss_db, source) in cases {
        near(sum(parts), loss_db, 0.0005, source);
    }
    // F16: open course, lesson on splice limits: 500 splices at 0.28 instead of 0.10 dB
    near(sum(&[(500.0, 0.28)]) - sum(&[(500.0, 0.10)]), 90.0, 1e-9, "F16");
    // F15: textbook example 4.1: 120 µW to 4 µW over 8 km, then 10 km with 9 splices of 1 dB
    let per_km = (dbm(0.12) - dbm(0.004)) / 8.0;
    near(sum(&[(8.0, per_km)]), 14.77, 0.005, "F15");
    near(sum(&[(10.0, per_km), (9.0, 1.0)]), 27.46, 0.005, "F15, not rounded early");
}

#[test]
fn a_published_sum_that_is_wrong_is_not_agreed_with() {
    // F6: over class B+ of 28 dB with its 3 dB of margin; by the page's own slip it would fit with 26.6
    let loss = sum(&[(8.0, 0.4), (4.0, 0.7), (1.0, 18.06), (6.0, 0.2), (1.0, 3.0)]);
    near(loss, 28.26, 0.0005, "F6");
    assert!(loss > 28.0);
}

#[test]
fn margins_and_received_power_are_those_of_published_examples() {
    // F4, F5: a router maker's hardware guides, power budget for fibre-optic cable
    let guide = system(-15.0, -28.0, 0.0);
    near(guide.budget_db(), 13.0, 1e-9, "F4");
    let losses = sum(&[(2.0, 1.0), (5.0, 0.5), (2.0, 0.5)]);
    let with = System { penalties_db: 1.5, ..guide }; // higher-order mode loss 0.5, clock module 1
    near(with.margin_db(losses), 6.0, 1e-9, "F4");
    near(System { penalties_db: 0.5, ..guide }.margin_db(losses), 7.0, 1e-9, "F4, no clock module");
    near(guide.margin_db(sum(&[(8.0, 0.5), (7.0, 0.5)])), 5.5, 1e-9, "F5");
    // F7: 28 dB of class B+, less the link; a feeder of 3 miles takes another 0.966 dB
    near(28.0 - 20.409, 7.591, 0.0005, "F7");
    near(28.0 - 20.409 - sum(&[(1.5 * 1.61, 0.4)]), 6.625, 0.0005, "F7, feeder of 3 miles");
    near(system(3.0, -28.0, 0.0).received_dbm(20.05), -17.05, 1e-9, "F8");
    near(
        system(-10.0, -25.0, 4.0).margin_db(sum(&[(2.0, 3.2), (2.0, 0.8), (1.0, 1.6)])),
        1.4,
        1e-9,
        "F9",
    );
    // F10: textbook exercise (ques10.com 69139): 0.1 mW, 0.5 km at 6 dB/km, 2 connectors of 2 dB, 4 dB margin
    let exercise = system(dbm(0.1), -35.0, 0.0);
    let losses = sum(&[(0.5, 6.0), (2.0, 2.0), (1.0, 4.0)]);
    near(exercise.received_dbm(losses), -21.0, 1e-9, "F10");
    near(exercise.margin_db(losses), 14.0, 1e-9, "F10");
    // F17: Russian ministry rules, table 3 (LAW 65602): 10GBASE-LR, -8.2 dBm out, -14.4 dBm in
    near(system(-8.2, -14.4, 0.0).budget_db(), 6.2, 1e-9, "F17");
}

#[test]
fn reaches_are_those_of_published_examples() {
    // transmitter, sensitivity, reserve, other losses, dB/km, km, source
    let cases = [
        (0.0, -25.0, 8.0, 1.6, 3.2 + 0.8, 3.85, "F9: textbook example 8.14"),
        (dbm(0.029), dbm(0.001), 0.0, 0.0, 0.2, 73.12, "F11: Mynbaev & Scheiner, example 5.2.1"),
        (0.0, -30.0, 6.0, 1.0, 0.19, 121.05, "F12: university laboratory sheet"),
        (-13.0, -42.0, 6.0, 2.0, 3.5, 6.0, "F13: Keiser, ch. 8, from memory"),
    ];
    for (transmitter, sensitivity, reserve, other, each, km, source) in cases {
        let budget = system(transmitter, sensitivity, reserve).budget_db();
        near(budget::reach_km(budget, other, each).expect("some reach"), km, 0.005, source);
    }
    // F17: attenuation that a reach allows: 10GBASE-ER 11 dB less 1.5 over 40 km, 100GBASE-ER4 18 less 2
    for (budget, other, each) in [(11.0, 1.5, 0.2375), (18.0, 2.0, 0.4)] {
        near(budget::reach_km(budget, other, each).expect("some reach"), 40.0, 1e-9, "F17");
    }
}

#[test]
fn splitters_lose_what_they_must_and_no_more_than_their_limit() {
    // F18: 10·log10 N by arithmetic (15.05 for 1:32 read); 0.8 + 3.4·log2 N Telcordia GR-1209, from memory
    let cases = [
        (2, 3.010, 4.2),
        (4, 6.021, 7.6),
        (8, 9.031, 11.0),
        (16, 12.041, 14.4),
        (32, 15.051, 17.8),
        (64, 18.062, 21.2),
    ];
    for (ways, even_db, most_db) in cases {
        near(budget::even_split_db(ways), even_db, 0.0005, "F18");
        near(strandline::plan::splitter_limit_db(ways), most_db, 1e-9, "F18");
    }
}

#[test]
fn a_statistical_budget_adds_variances() {
    // F19: IBM, loss calculation example for a single-mode link: mean and variance of each part, 3 sigma,
    // excess 0.50 dB. The page adds a variance of 0.04 and prints the root with 0.05: 12.86, for 12.82
    let part = |mean: f64, variance: f64| Measured::new(mean, variance.sqrt());
    let parts = [
        part(0.35, 0.06),
        part(0.35, 0.06),
        part(0.15, 0.01),
        part(0.15, 0.01),
        part(0.21 * 0.8, 0.0),
        part(19.76 * 0.5, 0.0),
    ];
    let link = parts.into_iter().fold(part(0.0, 0.0), Measured::plus);
    near(link.value, 11.05, 0.005, "F19");
    near(link.sigma.powi(2), 0.14, 1e-9, "F19");
    let budget = |system: f64| {
        let whole = link.plus(part(0.0, system));
        whole.value + 3.0 * whole.sigma + 0.50
    };
    near(budget(0.05), 12.86, 0.005, "F19, as printed");
    near(budget(0.04), 12.82, 0.005, "F19, as the page's own inputs have it");
}
