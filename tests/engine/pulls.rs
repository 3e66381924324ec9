//! Whether sigmas are what they say, by what stands near an event, and under receivers that are not
//! what the engine takes them to be.

use super::fibre::{Fibre, Pulls, analysis, draws, joints, median};
use strandline::event::{Event, Role};
use strandline::simulate::Rendered;
use strandline::units::Measured;

const SPLICE: &str = "kind = \"splice\", loss_db = 0.1";
const LARGER: &str = "kind = \"splice\", loss_db = 0.3";
const CONNECTOR: &str = "kind = \"connector\", loss_db = 0.3, reflectance_db = -50.0";
const STRONG: &str = "kind = \"connector\", loss_db = 0.3, reflectance_db = -25.0";

/// Errors over sigmas of one kind of fibre, and losses over what no estimator can beat.
#[derive(Default)]
struct Tally {
    losses: Pulls,
    places: Pulls,
    reflectances: Pulls,
    slopes: Pulls,
    over_bound: Vec<f64>,
    missed: usize,
    merged: usize,
}

impl Tally {
    fn of(kind: &Fibre, draws: usize, change: impl Fn(&mut Rendered)) -> Tally {
        let mut tally = Tally::default();
        for seed in 0..draws as u64 {
            let mut rendered = kind.rendered(seed);
            change(&mut rendered);
            tally.add(&rendered);
        }
        tally
    }

    fn add(&mut self, rendered: &Rendered) {
        let found = analysis(rendered);
        let pulse_m = rendered.trace.pulse_m();
        for truth in &rendered.truth.events {
            if !truth.required || truth.kind == "end" {
                continue;
            }
            let near = joints(&found).into_iter().min_by(|a, b| {
                let off = |e: &Event| (e.position_m.0 - truth.position_m).abs();
                off(a).total_cmp(&off(b))
            });
            // Steps that are weak for their line stray by many pulses (docs/theory.md); what strays farther is missed.
            let Some(event) = near.filter(|e| {
                let reach = (0.5 * pulse_m).max(25.0 * truth.position_bound_m.unwrap_or(0.0));
                (e.position_m.0 - truth.position_m).abs() < reach
            }) else {
                self.missed += 1;
                continue;
            };
            self.places
                .add(Measured::new(event.position_m.0, event.position_sigma_m), truth.position_m);
            if let (Some(loss), Some(true_db), Some(bound)) =
                (event.loss_db, truth.loss_db, truth.sigma_db)
            {
                if event.merged > 1 {
                    self.merged += 1; // it carries the sum of a group
                    continue;
                }
                self.losses.add(loss, true_db);
                self.over_bound.push((loss.value - true_db).abs() / bound);
            }
            if let (Some(r), Some(true_db)) = (event.reflectance_db(), truth.reflectance_db) {
                self.reflectances.add(r, true_db);
            }
        }
        for truth in &rendered.truth.sections {
            let middle_m = 0.5 * (truth.from_m + truth.to_m);
            let own = found.sections.iter().find(|s| s.from_m.0 < middle_m && middle_m < s.to_m.0);
            if let Some(slope) = own.and_then(|s| s.attenuation_db_per_km) {
                if truth.to_m - truth.from_m > 20.0 * pulse_m {
                    self.slopes.add(slope, truth.attenuation_db_per_km);
                }
            }
        }
    }

    fn line(&self, name: &str) -> String {
        let each = |what: &str, p: &Pulls| {
            if p.0.is_empty() {
                String::new()
            } else {
                format!(
                    "; {what} {}: mean {:+.2}, rms {:.2}, inside {:.1} %",
                    p.0.len(),
                    p.mean(),
                    p.rms(),
                    p.inside()
                )
            }
        };
        format!(
            "{name}: missed {}, in groups {}{}; median over bound {:.2}{}{}{}",
            self.missed,
            self.merged,
            each("losses", &self.losses),
            median(self.over_bound.clone()),
            each("places", &self.places),
            each("reflectances", &self.reflectances),
            each("slopes", &self.slopes)
        )
    }

    /// What is wrong: figures whose 95 % intervals hold the truth too seldom.
    fn wrong(&self, name: &str) -> Vec<String> {
        let each = [
            ("losses", &self.losses),
            ("places", &self.places),
            ("reflectances", &self.reflectances),
            ("slopes", &self.slopes),
        ];
        let too_few = |p: &Pulls| !p.0.is_empty() && p.inside() < p.least_inside();
        let told = each.into_iter().filter(|(_, p)| too_few(p)).map(|(what, p)| {
            let (inside, count) = (p.inside(), p.0.len());
            format!("{name}: {inside:.1} % of {count} {what} inside their 95 % interval")
        });
        let any = |p: &Pulls| !p.0.is_empty();
        assert!(any(&self.losses) && any(&self.slopes), "{name}: nothing was measured");
        // A weak step's likelihood has several tops, and the wrong one is taken now and then.
        let many = 20 * self.missed > self.places.0.len();
        let missed = many.then(|| format!("{name}: {} missed", self.missed));
        told.chain(missed).collect()
    }
}

fn neighbours() -> Vec<Fibre> {
    let plain = Fibre::plain();
    let on = |name, sections| Fibre { name, sections, ..plain.clone() };
    vec![
        on("open fibre", vec![(3000.0, LARGER), (5000.0, "")]),
        on("reflective", vec![(3000.0, CONNECTOR), (5000.0, "")]),
        on("3 pulses behind a connector", vec![(3000.0, CONNECTOR), (30.6, LARGER), (5000.0, "")]),
        on("two splices 8 pulses apart", vec![(3000.0, LARGER), (81.7, LARGER), (5000.0, "")]),
        on("20 pulses behind a strong peak", vec![(3000.0, STRONG), (204.0, LARGER), (5000.0, "")]),
        on("short last section", vec![(5000.0, LARGER), (150.0, "")]),
        Fibre { name: "weak light", range_db: 5.0, ..on("", vec![(4000.0, LARGER), (4000.0, "")]) },
        Fibre {
            name: "rough glass, 10 ns",
            pulse_ns: 10,
            spacing_m: 0.2,
            speckle: 0.004,
            ..on("", vec![(700.0, SPLICE), (800.0, CONNECTOR), (500.0, "")])
        },
        Fibre {
            // 28 dB over the backscatter, its end's peak is cut off at the file's own top
            name: "20 samples a pulse",
            pulse_ns: 10,
            spacing_m: 0.05,
            speckle: 0.0,
            ..on("", vec![(700.0, SPLICE), (800.0, CONNECTOR), (500.0, "")])
        },
        Fibre {
            name: "5 samples a pulse",
            spacing_m: 2.0,
            ..on("", vec![(3000.0, SPLICE), (2000.0, CONNECTOR), (3000.0, "")])
        },
        Fibre {
            name: "behind a cut-off peak",
            receiver: "poles = 3, pole_pulses = 0.08, limit_db = 6.0",
            ..on("", vec![(3000.0, STRONG), (300.0, LARGER), (5000.0, "")])
        },
    ]
}

#[test]
fn sigmas_hold_whatever_stands_near() {
    let draws = draws(60);
    let mut wrong = Vec::new();
    for kind in neighbours() {
        let tally = Tally::of(&kind, draws, |_| ());
        println!("{}", tally.line(kind.name));
        wrong.extend(tally.wrong(kind.name));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn sigmas_hold_under_receivers_that_are_not_of_three_poles() {
    let on = |name, receiver| Fibre {
        name,
        receiver,
        sections: vec![(2500.0, LARGER), (2500.0, CONNECTOR), (3000.0, "")],
        ..Fibre::plain()
    };
    let kinds = [
        on("1 pole", "poles = 1, pole_pulses = 0.1"),
        on("2 poles", "poles = 2, pole_pulses = 0.1"),
        on("4 poles", "poles = 4, pole_pulses = 0.07"),
        on("5 poles", "poles = 5, pole_pulses = 0.06"),
        on(
            "tail",
            "poles = 3, pole_pulses = 0.08, slow = [{ fraction = 0.003, length_pulses = 2.5 }]",
        ),
        on("zero off by 0.2 sigma", "poles = 3, pole_pulses = 0.08, zero_offset_sigma = 0.2"),
        on(
            "zero 2 sigma under the floor",
            "poles = 3, pole_pulses = 0.08, zero_offset_sigma = -2.0",
        ),
    ];
    let draws = draws(60);
    let mut wrong = Vec::new();
    for kind in &kinds {
        let tally = Tally::of(kind, draws, |_| ());
        println!("{}", tally.line(kind.name));
        wrong.extend(tally.wrong(kind.name));
    }
    // The file says 103 ns where the pulse had 100: losses and slopes hold. Reflectances follow the stated
    // pulse (10·log10 1.03 = 0.13 dB), and a reflection is placed by both edges, 1.5 % of a pulse off, which no
    // sigma can know: both are shown alone.
    let kind = on("pulse stated 3 % too long", "poles = 3, pole_pulses = 0.08");
    let mut tally = Tally::of(&kind, draws, |r| r.trace.stretches[0].pulse_ns = 103);
    println!("{}", tally.line(kind.name));
    (tally.reflectances, tally.places) = (Pulls::default(), Pulls::default());
    wrong.extend(tally.wrong(kind.name));
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_fibre_of_nothing_but_an_end_has_its_end_inside_its_interval() {
    let mut pulls = Pulls::default();
    for seed in 0..draws(60) as u64 {
        let rendered = Fibre::plain().rendered(seed);
        let found = analysis(&rendered);
        let end = found.events.iter().find(|e| e.role == Role::End).expect("an end");
        pulls.add(Measured::new(end.position_m.0, end.position_sigma_m), rendered.truth.end_m);
    }
    println!("ends: rms {:.2}, inside {:.1} %", pulls.rms(), pulls.inside());
    pulls.assert_honest();
}
