//! Scenes of one kind over receivers and pulses: two events near each other, and ends. Random fibres hide what such
//! scenes show. Prints every figure that is more than four sigmas off, every event missed or invented, and how many
//! scenes have one; docs/accuracy.md.

#![expect(clippy::print_stdout, reason = "a benchmark prints what it measured")]

use strandline::detect::{self, Cords};
use strandline::event::{Event, Role};
use strandline::simulate::{Rendered, Scenario, TrueEvent, render};
use strandline::units::Measured;

/// Pulse in ns, spacing and length in m, and noise in dB below the backscatter at the panel.
const PULSES: [(f64, f64, f64, f64); 4] = [
    (20.0, 0.715, 1500.0, 10.0),
    (100.0, 1.25, 1500.0, 14.0),
    (500.0, 2.5, 1500.0, 18.0),
    (2500.0, 10.2, 12_000.0, 20.0),
];
const RECEIVERS: [&str; 4] = [
    "poles = 1, pole_pulses = 0.1",
    "poles = 2, pole_pulses = 0.12",
    "poles = 3, pole_pulses = 0.06",
    "poles = 5, pole_pulses = 0.06",
];
const ENDS: [&str; 3] = ["open", "crushed", "angled"];
/// Length of a pulse of 1 ns at index 1.4682.
const M_PER_NS: f64 = 0.1021;
const SIGMAS: f64 = 4.0;

fn main() {
    let (mut scenes, mut wrong) = (0, 0);
    for (pulse_ns, spacing_m, length_m, range_db) in PULSES {
        for receiver in RECEIVERS {
            let pulse_m = pulse_ns * M_PER_NS;
            for (name, sections) in sections(pulse_m, length_m) {
                let end = if name.starts_with("last") { "open" } else { ENDS[scenes % 3] };
                let text =
                    scenario(scenes, end, receiver, (pulse_ns, spacing_m, range_db), &sections);
                let scenario = Scenario::from_toml(&text).expect("a scenario");
                let found = wrongs(&render(&scenario)[0], pulse_m);
                if !found.is_empty() {
                    println!("{pulse_ns} ns, {receiver}, {end} end, {name}: {}", found.join("; "));
                    wrong += 1;
                }
                scenes += 1;
            }
        }
    }
    println!(
        "{wrong} of {scenes} scenes have a figure more than {SIGMAS} sigmas off, or an event too many or few"
    );
}

/// A scene's name and its sections: length in metres and what stands behind.
type Scene = (String, Vec<(f64, String)>);

fn sections(pulse_m: f64, length_m: f64) -> Vec<Scene> {
    let splice = |loss: f64| format!("then = {{ kind = \"splice\", loss_db = {loss} }}");
    let connector = |loss: f64, reflectance: f64| {
        format!(
            "then = {{ kind = \"connector\", loss_db = {loss}, reflectance_db = {reflectance} }}"
        )
    };
    let pair = |name: &str, pulses: f64, first: String, second: String| {
        let sections =
            vec![(length_m, first), (pulses * pulse_m, second), (length_m, String::new())];
        (format!("{name}, {pulses} pulses apart"), sections)
    };
    let mut scenes = Vec::new();
    for pulses in [1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.3, 4.0, 5.0] {
        for (a, b) in [(0.2, 0.15), (0.1, 0.5), (0.3, -0.12), (0.08, 0.06)] {
            scenes.push(pair(&format!("splices of {a} and {b} dB"), pulses, splice(a), splice(b)));
        }
    }
    for pulses in [1.5, 2.0, 2.5, 3.0, 4.0] {
        scenes.push(pair("splice and connector", pulses, splice(0.15), connector(0.3, -45.0)));
        scenes.push(pair("connector and splice", pulses, connector(0.3, -50.0), splice(0.15)));
        let (strong, weak) = (connector(0.3, -40.0), connector(0.3, -55.0));
        scenes.push(pair("connectors", pulses, strong, weak));
        let last = vec![(length_m, splice(0.15)), (pulses * pulse_m, String::new())];
        scenes.push((format!("last splice {pulses} pulses before the end"), last));
    }
    scenes
}

fn scenario(
    seed: usize,
    end: &str,
    receiver: &str,
    (pulse_ns, spacing_m, range_db): (f64, f64, f64),
    sections: &[(f64, String)],
) -> String {
    let length_m: f64 = sections.iter().map(|(m, _)| m).sum();
    let samples = (1.6 * length_m / spacing_m) as usize;
    let mut text = format!(
        "schema = \"strandline.scenario/1\"\nname = \"scene\"\nindex = 1.4682\n\
         seeds = {{ fiber = {seed}, noise = {seed} }}\npanel_reflectance_db = -45.0\n\
         end_b = \"{end}\"\nreceiver = {{ {receiver} }}\n[[wavelength]]\nnm = 1550\n\
         pulse_ns = {pulse_ns}\nspacing_m = {spacing_m}\nsamples = {samples}\n\
         backscatter_db = -82.0\nrange_db = {range_db}\nspeckle = 0.001\n"
    );
    for (length_m, then) in sections {
        text += &format!(
            "[[section]]\nlength_m = {length_m}\nattenuation_db_per_km = 0.2\n\
             backscatter_step_db = 0\n{then}\n"
        );
    }
    text
}

/// What was found wrong in one trace. Events within a pulse of a true one are taken for it; those that no trace can
/// tell from their neighbour need not be found, but what is found has to be what it says.
fn wrongs(rendered: &Rendered, pulse_m: f64) -> Vec<String> {
    let analysis = detect::events(&rendered.trace, &Cords::default());
    let mut left: Vec<&Event> =
        analysis.events.iter().filter(|e| matches!(e.role, Role::Joint | Role::End)).collect();
    let mut wrong = Vec::new();
    for truth in &rendered.truth.events {
        let off = |event: &Event| (event.position_m.0 - truth.position_m).abs();
        let nearest = (0..left.len()).min_by(|a, b| off(left[*a]).total_cmp(&off(left[*b])));
        match nearest.filter(|i| off(left[*i]) < pulse_m) {
            Some(i) => wrong.extend(compared(left.remove(i), truth)),
            None if truth.required => {
                wrong.push(format!("{} at {:.1} m missed", truth.kind, truth.position_m));
            }
            None => {}
        }
    }
    wrong.extend(left.iter().map(|event| format!("none at {:.1} m", event.position_m.0)));
    wrong
}

/// What of `event` is more than [`SIGMAS`] off.
fn compared(event: &Event, truth: &TrueEvent) -> Vec<String> {
    let place = Measured::new(event.position_m.0, event.position_sigma_m);
    let alone = event.merged == 1;
    let figures = [
        ("place", Some(place), Some(truth.position_m)),
        ("loss", event.loss_db.filter(|_| alone), truth.loss_db),
        ("reflectance", event.reflectance_db().filter(|_| alone), truth.reflectance_db),
    ];
    let off = |(what, found, truth): (&str, Option<Measured>, Option<f64>)| {
        let (found, truth) = found.zip(truth)?;
        let pull = (found.value - truth) / found.sigma;
        (pull.abs() > SIGMAS).then(|| {
            format!("{what} {} ± {}, true {truth} ({pull:.1} sigmas)", found.value, found.sigma)
        })
    };
    let mut wrong: Vec<String> = figures.into_iter().filter_map(off).collect();
    if event.peak.is_some() && truth.reflectance_db.is_none() {
        wrong.push(format!("{} at {:.1} m said to reflect", truth.kind, truth.position_m));
    }
    wrong
}
