//! Attenuations of the sections of drawn cables, as a review lists them, against their truth: with the
//! light of a common job, and with so much noise that much is lost in it.
//!
//! `STRANDLINE_CABLES=4 cargo test --release --test job sections -- --nocapture` prints the figures of
//! docs/accuracy.md; without the variable a small part of it is run.

use super::chance::Chance;
use rayon::prelude::*;
use strandline::job::{self, SectionReview};
use strandline::plan::{self, Plan};
use strandline::simulate::Rendered;
use strandline::simulate::cable::{self, Cable, CableFile, Size};
use strandline::sor::{self, Version};
use strandline::source;

/// Adds white noise in linear power, `over_noise_db` below the light that comes back from the far end
/// (one-way dB, as a trace shows it). A count is a thousandth of a dB below 0 (SR-4731).
fn with_noise(rendered: &mut Rendered, over_noise_db: f64, seed: u64) {
    let spacing_m = rendered.truth.spacing_m;
    let far = rendered.truth.events.iter().rev().nth(1).expect("a link").position_m;
    let at = ((far - 100.0) / spacing_m) as usize;
    let counts = &mut rendered.trace.counts;
    let power = |count: u16| 10.0_f64.powf(-f64::from(count) / 5000.0);
    let near_end = counts[at - 200..at].iter().map(|c| power(*c)).sum::<f64>() / 200.0;
    let sigma = near_end / 10.0_f64.powf(over_noise_db / 5.0);
    let mut chance = Chance(seed);
    for count in counts.iter_mut() {
        let power = power(*count) + sigma * chance.normal();
        let db = if power > 0.0 { -5000.0 * power.log10() } else { 65_535.0 };
        *count = db.round().clamp(0.0, 65_535.0) as u16;
    }
}

fn reviewed(cable: &Cable) -> job::Review {
    let plan: Plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let files: Vec<(&CableFile, &Rendered)> = cable.truth.files.iter().zip(&cable.traces).collect();
    let read = |(file, rendered): &(&CableFile, &Rendered)| {
        let bytes = sor::encode(&rendered.trace, Version::V2).expect("a rendered trace fits");
        job::measure(std::path::Path::new(&file.file), &bytes, &plan, &source::Options::default())
    };
    job::judge(files.par_iter().map(read).collect(), &plan)
}

/// Mean attenuation of the glass between two places of the cable.
fn glass_db_per_km(rendered: &Rendered, from_m: f64, to_m: f64) -> Option<f64> {
    let launch_m = 500.0;
    let (mut loss_db, mut km) = (0.0, 0.0);
    for own in &rendered.truth.sections {
        let from = (own.from_m - launch_m).max(from_m);
        let own_km = ((own.to_m - launch_m).min(to_m) - from).max(0.0) / 1e3;
        loss_db += own.attenuation_db_per_km * own_km;
        km += own_km;
    }
    (km > 0.5e-3 * (to_m - from_m)).then(|| loss_db / km)
}

/// A section beside its truth.
#[derive(Clone, Copy)]
struct Case {
    pull: f64,
    sigma: f64,
    hides_joint: bool,
}

fn cases(cable: &Cable) -> Vec<Case> {
    let review = reviewed(cable);
    let mut out = Vec::new();
    for own in &review.fibers {
        let truth = &cable.truth.fiber[&own.fiber.to_string()];
        for section in &own.sections {
            let forth = |(file, _): &(&CableFile, &Rendered)| {
                file.fiber == own.fiber as usize
                    && file.direction == "a-to-b"
                    && file.wavelength_nm == u32::from(section.wavelength_nm)
            };
            let all = cable.truth.files.iter().zip(&cable.traces);
            let (_, rendered) = all.into_iter().find(forth).expect("drawn");
            let SectionReview { from_m, to_m, attenuation_db_per_km, .. } = section;
            let (Some(from), Some(to), Some(got)) = (from_m, to_m, attenuation_db_per_km) else {
                continue;
            };
            let Some(glass) = glass_db_per_km(rendered, *from, *to) else { continue };
            let inside = |m: f64| m > from + 15.0 && m < to - 15.0;
            let hides_joint = truth.closures.iter().any(|closure| inside(closure.at_m));
            out.push(Case { pull: (got.value - glass) / got.sigma, sigma: got.sigma, hides_joint });
        }
    }
    out
}

#[test]
fn attenuations_of_sections_are_as_sure_as_they_say_in_noise_too() {
    let wanted = std::env::var("STRANDLINE_CABLES").ok().and_then(|text| text.parse().ok());
    let cables: u64 = wanted.unwrap_or(1);
    println!("km, ns, far end over noise, dB | joints inside: sections, % within, rms pull, sigma");
    for (length_m, pulse_ns, over_noise_db) in [
        (14_000.0, 100, None),
        (14_000.0, 100, Some(8.0)),
        (14_000.0, 100, Some(4.0)),
        (14_000.0, 100, Some(1.0)),
        (14_000.0, 30, Some(2.0)),
        (30_000.0, 300, Some(3.0)),
    ] {
        let mut all: Vec<Case> = Vec::new();
        for seed in 700..700 + cables {
            let size =
                Size { closures: 8, length_m, pulse_ns, planted: Vec::new(), ..Size::common(12) };
            let mut cable = cable::draw(seed, &size);
            if let Some(db) = over_noise_db {
                for (i, rendered) in cable.traces.iter_mut().enumerate() {
                    with_noise(rendered, db, seed * 1000 + i as u64);
                }
            }
            all.extend(cases(&cable));
        }
        println!("{} km, {pulse_ns} ns, {over_noise_db:?}", length_m / 1e3);
        assert!(all.len() > 80, "{} sections prove nothing", all.len());
        let (hiding, plain): (Vec<Case>, Vec<Case>) = all.iter().partition(|c| c.hides_joint);
        for (name, own) in [("none", &plain), ("some", &hiding)] {
            let (inside, line) = told(name, own);
            println!("  {line}");
            // three binomial sigmas of the 95 % that are promised
            let chance = 3.0 * (95.0 * 5.0 / own.len() as f64).sqrt();
            assert!(own.is_empty() || inside > 95.0 - chance, "{over_noise_db:?}: {inside}");
        }
    }
}

/// How many of a hundred sections are within their interval, and how they lie around their truth in words.
fn told(name: &str, own: &[Case]) -> (f64, String) {
    let n = own.len() as f64;
    let inside = 100.0 * own.iter().filter(|c| c.pull.abs() < 1.96).count() as f64 / n;
    let rms = (own.iter().map(|c| c.pull * c.pull).sum::<f64>() / n).sqrt();
    let mut sigmas: Vec<f64> = own.iter().map(|c| c.sigma).collect();
    sigmas.sort_by(f64::total_cmp);
    let middle = sigmas.get(sigmas.len() / 2).copied().unwrap_or(f64::NAN);
    (inside, format!("{name}: {n} | {inside:.1} | {rms:.2} | {middle:.4}"))
}
