//! The truth of a scene, put together.

use super::measure::{Ground, Scene, word};
use super::path::{Path, Place, PlaceKind};
use super::scenario::Kind;
use super::truth::{Group, TrueEcho, TrueEvent, TruePeak, TrueSection, TrueSpan};
use crate::units::{level_db, reflectance_db};

/// A splice must be found from this loss on, if it is also this many standard deviations.
const REQUIRED_DB: f64 = 0.02;
const REQUIRED_SIGMAS: f64 = 7.0;
/// A peak is seen from this many standard deviations of a pulse's mean on.
const VISIBLE_SIGMAS: f64 = 6.0;

/// Apparent one-way loss at `places[i]`: what light loses, less what the glass behind scatters more.
pub(super) fn apparent_loss_db(path: &Path, i: usize) -> Option<f64> {
    let behind = path.glass.get(i + 1)?;
    Some(path.places[i].true_loss_db? - (behind.step_db - path.glass[i].step_db))
}

/// Whether anything but the slope changes at `places[i]`.
pub(super) fn is_event(path: &Path, i: usize) -> bool {
    let place = &path.places[i];
    place.kind != PlaceKind::Joint(Kind::Knot)
        || place.reflectance_db.is_some()
        || apparent_loss_db(path, i).is_none_or(|loss| loss.abs() > 1e-9)
}

pub(super) fn events(scene: &Scene<'_>, grounds: &[Ground]) -> Vec<TrueEvent> {
    let path = scene.path;
    (0..path.places.len())
        .filter(|i| is_event(path, *i))
        .map(|i| event(scene, grounds, i))
        .collect()
}

fn event(scene: &Scene<'_>, grounds: &[Ground], i: usize) -> TrueEvent {
    let path = scene.path;
    let place = &path.places[i];
    let z_m = place.position_m;
    let before = path.glass[i].line(z_m, path.pulse_m);
    let behind = path.glass.get(i + 1).filter(|_| place.true_loss_db.is_some());
    let loss_db = apparent_loss_db(path, i);
    let (left, right) = (grounds[i].line, grounds.get(i + 1).and_then(|ground| ground.line));
    let measured = match (left, right, loss_db) {
        (Some(left), Some(right), Some(loss)) => Some(scene.loss(&left, &right, z_m, loss)),
        _ => None,
    };
    let height = place.reflectance_db.map(|r| path.height(r, path.glass[i].lost_db_at(z_m)));
    let peak = height.map(|height| peak(scene, z_m, before, height));
    let clean_m = grounds.get(i + 1).map_or(f64::INFINITY, |ground| ground.clean_m);
    let step = before - behind.map_or(0.0, |glass| glass.line(z_m, path.pulse_m));
    let snr_db = (scene.sigma > 0.0).then(|| level_db(before / scene.sigma));
    let required = match loss_db {
        None => snr_db.is_none_or(|snr| snr >= 3.0),
        Some(loss) => measured.is_some_and(|(sigma, _)| {
            let steps = loss.abs() >= REQUIRED_DB.max(REQUIRED_SIGMAS * sigma);
            steps || peak.is_some_and(|peak| peak.peak_visible && peak.peak_db >= 0.1)
        }),
    };
    TrueEvent {
        position_m: z_m,
        kind: word(place.kind).into(),
        loss_db,
        true_loss_db: place.true_loss_db,
        reflectance_db: height
            .map(|height| reflectance_db(height / before, path.backscatter_db, path.pulse_ns)),
        true_reflectance_db: place.reflectance_db,
        sigma_db: measured.map(|(sigma, _)| sigma),
        oracle_loss_db: measured.map(|(_, oracle)| oracle),
        peak,
        dead_zone_m: grounds
            .get(i + 1)
            .filter(|_| behind.is_some())
            .map_or_else(|| scene.end_dead_zone_m(), |ground| ground.dead_zone_m),
        position_bound_m: scene.position_bound_m(
            step,
            before,
            height,
            grounds[i].clean_m.min(clean_m),
        ),
        snr_db,
        required,
    }
}

fn peak(scene: &Scene<'_>, z_m: f64, before: f64, height: f64) -> TruePeak {
    let sigma = scene.pulse_sigma(before);
    let peak_snr = if sigma > 0.0 { height / sigma } else { f64::MAX };
    let from = scene.grid.at_or_behind(z_m);
    let to = scene.grid.at_or_behind(z_m + scene.path.pulse_m + 2.0 * scene.receiver_m);
    TruePeak {
        peak_snr,
        peak_db: level_db(1.0 + height / before),
        peak_visible: peak_snr >= VISIBLE_SIGMAS && from < to,
        clipped: scene.quiet[from..to].iter().any(|level| *level >= scene.limit),
    }
}

/// Sections run from event to event or slope change.
pub(super) fn sections(path: &Path, grounds: &[Ground]) -> Vec<TrueSection> {
    let section = |(glass, ground): (&super::path::Glass, &Ground)| TrueSection {
        from_m: glass.from_m,
        to_m: glass.to_m,
        attenuation_db_per_km: glass.attenuation_db_per_km,
        sigma_db_per_km: ground.line.map(|line| line.slope_sigma_db_per_km()),
    };
    path.glass.iter().zip(grounds).map(section).collect()
}

/// Neighbours whose losses no straight line can tell apart.
pub(super) fn groups(scene: &Scene<'_>, grounds: &[Ground]) -> Vec<Group> {
    let path = scene.path;
    let shown: Vec<usize> = (0..path.places.len()).filter(|i| is_event(path, *i)).collect();
    let close = |pair: &[usize]| (pair[0] + 1..=pair[1]).all(|glass| grounds[glass].line.is_none());
    let mut groups = Vec::new();
    let mut first = 0;
    for last in 0..shown.len() {
        if last + 1 < shown.len() && close(&shown[last..=last + 1]) {
            continue;
        }
        if last > first {
            let places = shown[first]..=shown[last];
            let loss_db: Option<f64> =
                places.clone().map(|i| apparent_loss_db(path, i)).sum::<Option<f64>>();
            let left = grounds[*places.start()].line;
            let right = grounds.get(places.end() + 1).and_then(|ground| ground.line);
            let sigma_db = match (left, right, loss_db) {
                (Some(left), Some(right), Some(_)) => {
                    // Read half way; the slopes' own fall between first and last is no loss.
                    let (from_m, to_m) = (
                        path.places[*places.start()].position_m,
                        path.places[*places.end()].position_m,
                    );
                    let fall = path.glass[places.start() + 1..=*places.end()]
                        .iter()
                        .map(|glass| glass.attenuation_db_per_km * glass.length_m() / 1000.0)
                        .sum::<f64>();
                    Some(scene.group_sigma(
                        &left,
                        &right,
                        from_m,
                        to_m,
                        loss_db.unwrap_or(0.0) + fall,
                    ))
                }
                _ => None,
            };
            groups.push(Group { first, last, loss_db, sigma_db });
        }
        first = last + 1;
    }
    groups
}

pub(super) fn echoes(scene: &Scene<'_>) -> Vec<TrueEcho> {
    let path = scene.path;
    scene
        .echoes
        .iter()
        .filter_map(|echo| {
            let level =
                path.glass_at(echo.position_m).map(|g| g.line(echo.position_m, path.pulse_m));
            let sigma = scene.pulse_sigma(level.unwrap_or(0.0));
            let last_m = scene.grid.position_m(scene.grid.samples.saturating_sub(1));
            let listed = echo.height >= 3.0 * sigma.max(1e-12) && echo.position_m < last_m;
            let peak_db = level_db(1.0 + echo.height / level.unwrap_or(scene.sigma.max(1e-12)));
            let clear = match level {
                Some(_) => echo.height >= VISIBLE_SIGMAS * sigma && peak_db >= 0.05,
                None => echo.height >= 3.3 * scene.sigma,
            };
            let whole = echo.position_m + path.pulse_m <= last_m;
            listed.then_some(TrueEcho {
                position_m: echo.position_m,
                peak_db,
                visible: clear && whole,
            })
        })
        .collect()
}

/// Every way to take the cords off.
pub(super) fn spans(path: &Path) -> Vec<TrueSpan> {
    let end_m = path.end_m();
    let mut starts = vec![0.0];
    starts.extend((path.launch_m > 0.0).then_some(path.launch_m));
    let mut ends: Vec<f64> =
        (path.tail_m > 0.0).then_some(end_m - path.tail_m).into_iter().collect();
    ends.push(end_m);
    let pairs = starts.iter().flat_map(|start| ends.iter().map(|end| (*start, *end)));
    pairs
        .map(|(start_m, end_m)| TrueSpan {
            start_m,
            end_m,
            length_m: end_m - start_m,
            loss_db: apparent_between(path, start_m, end_m),
            orl_db: return_loss_db(path, start_m, end_m),
        })
        .collect()
}

/// Fall of the trace from just before `start_m` to just behind `end_m`.
fn apparent_between(path: &Path, start_m: f64, end_m: f64) -> f64 {
    let inside = |z_m: f64| z_m >= start_m - 1e-6 && z_m <= end_m + 1e-6;
    let glass: f64 = (path.glass.iter())
        .filter(|glass| inside(glass.from_m) && inside(glass.to_m))
        .map(|glass| glass.attenuation_db_per_km * glass.length_m() / 1000.0)
        .sum();
    let joints: f64 = (0..path.places.len())
        .filter(|i| inside(path.places[*i].position_m))
        .filter_map(|i| apparent_loss_db(path, i))
        .sum();
    glass + joints
}

/// Optical return loss at `start_m`, as a trace can show it: all light that comes back from there to
/// `end_m`, measured by the backscatter just before `start_m` and the stated coefficient. The
/// instrument's own panel never counts. Source: integral of the backscatter plus the reflections,
/// E6 and E7 of the reference values.
fn return_loss_db(path: &Path, start_m: f64, end_m: f64) -> f64 {
    let before = path.glass.iter().find(|glass| start_m <= glass.to_m + 1e-6);
    let reference = before.map_or(1.0, |glass| glass.density(start_m));
    let coefficient = 10_f64.powf(path.backscatter_db / 10.0);
    let glass: f64 = (path.glass.iter())
        .filter(|glass| glass.from_m >= start_m - 1e-6 && glass.to_m <= end_m + 1e-6)
        .map(|glass| {
            let share = -(-glass.decay * glass.length_m()).exp_m1();
            glass.density(glass.from_m) * share / glass.decay
        })
        .sum();
    let reflections: f64 = (path.reflections().iter())
        .filter(|flash| flash.position_m > 0.0)
        .filter(|flash| flash.position_m >= start_m - 1e-6 && flash.position_m <= end_m + 1e-6)
        .map(|flash| flash.height)
        .sum();
    // A pulse of T ns scatters T times the coefficient from each pulse length of glass.
    let back = coefficient * path.pulse_ns * (glass / path.pulse_m + reflections) / reference;
    -10.0 * back.log10()
}

/// What the instrument's own table would be drawn from: shown events with what a trace shows.
pub(super) fn shown(path: &Path) -> Vec<(Place, Option<f64>, f64)> {
    (0..path.places.len())
        .filter(|i| is_event(path, *i))
        .map(|i| (path.places[i], apparent_loss_db(path, i), path.glass[i].attenuation_db_per_km))
        .collect()
}
