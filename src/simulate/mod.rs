//! A described fibre in, a trace and its truth out: the physics of the crate's tests and demo data.
//!
//! Everything is reckoned directly in linear power (`docs/theory.md`): backscatter of a pulse,
//! reflections, echoes, the receiver's answer, speckle, noise, limits, and counts at the end.
//! `detect` shares no line with it, so a mistake here cannot hide one there.
//!
//! ```
//! # fn main() -> Result<(), strandline::simulate::ScenarioError> {
//! let scenario = strandline::simulate::Scenario::from_toml(
//!     r#"
//!     schema = "strandline.scenario/1"
//!     name = "two-kilometres"
//!     index = 1.4682
//!
//!     [[wavelength]]
//!     nm = 1550
//!     pulse_ns = 100
//!     spacing_m = 1.0
//!     samples = 4000
//!     backscatter_db = -82.0
//!     range_db = 22.0
//!
//!     [[section]]
//!     length_m = 2000.0
//!     attenuation_db_per_km = 0.19
//!     "#,
//! )?;
//! let rendered = strandline::simulate::render(&scenario);
//! assert_eq!(rendered[0].trace.counts.len(), 4000);
//! assert_eq!(rendered[0].truth.end_m, 2000.0);
//! # Ok(())
//! # }
//! ```

mod answer;
pub mod cable;
mod check;
pub mod family;
#[cfg(test)]
mod golden;
mod light;
mod measure;
mod noise;
mod path;
mod random;
mod record;
mod scenario;
mod truth;

pub use check::ScenarioError;
pub use random::Random;
pub use scenario::{
    Direction, Figure, Finish, Joint, Kind, OwnTable, Receiver, Recording, Ring, Scenario, Seeds,
    Slow, Spikes, Stretch, Tags, Wavelength,
};
pub use truth::{Group, TrueEcho, TrueEvent, TruePeak, TrueSection, TrueSpan, Truth};

use crate::trace::Trace;
use crate::units::{GroupIndex, power};
use light::{Grid, Light};
use measure::Scene;
use path::{Flash, Path};

/// One rendered trace.
#[derive(Clone, Debug, PartialEq)]
pub struct Rendered {
    /// The scenario's name; with wavelength and direction where it has several.
    pub name: String,
    /// The trace as an instrument would have stored it.
    pub trace: Trace,
    /// What is true of it.
    pub truth: Truth,
}

/// Every trace of a scenario: wavelength by wavelength, in each from each end.
///
/// The same scenario gives the same traces. Values that [`Scenario::from_toml`] would have refused
/// give a trace without meaning, never a panic.
pub fn render(scenario: &Scenario) -> Vec<Rendered> {
    render_again(scenario, scenario.seeds.noise)
}

/// The same fibre measured again: same glass and settings, other noise.
pub fn render_again(scenario: &Scenario, noise_seed: u64) -> Vec<Rendered> {
    let mut rendered = Vec::new();
    for wavelength in &scenario.wavelengths {
        for direction in &scenario.directions {
            let number = rendered.len();
            rendered.push(one(scenario, wavelength, *direction, number, noise_seed));
        }
    }
    rendered
}

fn glass_index(scenario: &Scenario) -> GroupIndex {
    let usual = || GroupIndex::new(1.4682).expect("lies between 1 and 2");
    GroupIndex::new(scenario.index).unwrap_or_else(usual)
}

fn one(
    scenario: &Scenario,
    wavelength: &Wavelength,
    direction: Direction,
    number: usize,
    noise_seed: u64,
) -> Rendered {
    let index = glass_index(scenario);
    let path = Path::new(scenario, wavelength, direction, index);
    let grid = record::grid(scenario, wavelength, index);
    let sigma = wavelength.range_db.map_or(0.0, |range| power(-range));
    let echoes = path.echoes(weakest_echo(sigma));
    let light = Light::new(&path, &[path.reflections(), echoes.clone()].concat());
    let quiet = light.received(&grid, &scenario.receiver, path.pulse_m);
    let limit = limit(scenario);
    let chance = Chance { scenario, wavelength, direction, number, noise_seed, sigma };
    let noisy = chance.upon(&quiet, &light, &grid, &path, limit);

    let scene = scene(scenario, wavelength, &path, &grid, &quiet, &noisy, &echoes);
    let truth = truth(scenario, wavelength, &scene, index, name(scenario, wavelength, direction));
    let taken =
        record::Taken { scenario, wavelength, direction, index, path: &path, number, noise_seed };
    Rendered { name: truth.name.clone(), trace: record::trace(&taken, &noisy), truth }
}

/// Echoes below this power are left out: a fiftieth of the noise, or nothing a count could show.
fn weakest_echo(sigma: f64) -> f64 {
    (0.02 * sigma).max(1e-13)
}

/// The strongest power that is shown: the receiver's limit or the count 0, whichever is lower.
fn limit(scenario: &Scenario) -> f64 {
    let top_db = scenario.recording.top_db;
    power(scenario.receiver.limit_db.map_or(top_db, |limit| limit.min(top_db)))
}

fn name(scenario: &Scenario, wavelength: &Wavelength, direction: Direction) -> String {
    let mut name = scenario.name.clone();
    if scenario.wavelengths.len() > 1 {
        name = format!("{name}-{:.0}", wavelength.nm);
    }
    if scenario.directions.len() > 1 {
        name.push_str(if direction == Direction::AToB { "-ab" } else { "-ba" });
    }
    name
}

/// What chance does to one trace.
struct Chance<'a> {
    scenario: &'a Scenario,
    wavelength: &'a Wavelength,
    direction: Direction,
    number: usize,
    noise_seed: u64,
    sigma: f64,
}

impl Chance<'_> {
    fn upon(&self, quiet: &[f64], light: &Light, grid: &Grid, path: &Path, limit: f64) -> Vec<f64> {
        let mut levels = quiet.to_vec();
        let receiver = &self.scenario.receiver;
        if self.wavelength.speckle > 0.0 {
            let fiber_m = self.scenario.sections.iter().map(|section| section.length_m).sum();
            let reversed = self.direction == Direction::BToA;
            let seed = self.scenario.seeds.fiber;
            let ripple =
                noise::speckle(grid, self.wavelength, path.pulse_m, fiber_m, reversed, seed);
            let backscatter = light.backscatter(grid);
            for ((level, ripple), backscatter) in levels.iter_mut().zip(ripple).zip(backscatter) {
                *level += self.wavelength.speckle * ripple * backscatter;
            }
        }
        if self.sigma > 0.0 {
            let mut random = Random::for_purpose(self.noise_seed, self.number as u64);
            let pole_m = receiver.pole_pulses * path.pulse_m;
            let noise = noise::coloured(grid, receiver.poles, pole_m, &mut random);
            let offset = receiver.zero_offset_sigma;
            for (level, noise) in levels.iter_mut().zip(noise) {
                *level += self.sigma * (noise + offset);
            }
            if let Some(spikes) = &receiver.spikes {
                noise::add_spikes(&mut levels, spikes, self.sigma, &mut random);
            }
        }
        for level in &mut levels {
            *level = level.min(limit);
        }
        levels
    }
}

fn scene<'a>(
    scenario: &Scenario,
    wavelength: &Wavelength,
    path: &'a Path,
    grid: &'a Grid,
    quiet: &'a [f64],
    noisy: &'a [f64],
    echoes: &'a [Flash],
) -> Scene<'a> {
    let poles = scenario.receiver.poles.min(5);
    let pole_m = scenario.receiver.pole_pulses * path.pulse_m;
    Scene {
        path,
        grid,
        quiet,
        noisy,
        sigma: wavelength.range_db.map_or(0.0, |range| power(-range)),
        kappa: noise::kappa(poles, grid.spacing_m / pole_m),
        speckle: wavelength.speckle,
        limit: limit(scenario),
        receiver_m: poles as f64 * pole_m,
        edge_m: noise::edge_poles(poles) * pole_m,
        echoes,
    }
}

fn truth(
    scenario: &Scenario,
    wavelength: &Wavelength,
    scene: &Scene<'_>,
    index: GroupIndex,
    name: String,
) -> Truth {
    let path = scene.path;
    let grounds = scene.grounds();
    let spans = answer::spans(path);
    Truth {
        name,
        family: scenario.family.clone(),
        wavelength_nm: wavelength.nm,
        pulse_ns: path.pulse_ns,
        group_index: index.value(),
        spacing_m: scene.grid.spacing_m,
        samples: scene.grid.samples,
        pulse_m: path.pulse_m,
        front_dead_zone_m: grounds.first().map_or(0.0, |ground| ground.dead_zone_m),
        end_m: path.end_m(),
        launch_m: path.launch_m,
        tail_m: path.tail_m,
        noise_sigma: scene.sigma,
        floor_clipped: (scenario.recording.floor_db)
            .is_some_and(|floor| power(scenario.recording.top_db - floor) > 0.1 * scene.sigma),
        events: answer::events(scene, &grounds),
        sections: answer::sections(path, &grounds),
        total_loss_db: spans
            .iter()
            .rfind(|span| span.start_m == 0.0)
            .map_or(0.0, |span| span.loss_db),
        spans,
        echoes: answer::echoes(scene),
        groups: answer::groups(scene, &grounds),
    }
}
