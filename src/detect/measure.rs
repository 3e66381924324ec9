//! From a fitted model to events, sections and the span.

use super::echo::Lone;
use super::find::{Found, WELL_FITTED};
use super::fit::{Fit, SLOPES_DB_PER_KM, TOP_RIPPLE};
use super::model::{Behind, Line};
use super::noise::Noise;
use super::samples::Samples;
use super::size::{self, EVEN_DB};
use super::{Cords, classify, opinion, unfound};
use crate::event::{self, Analysis, Event, Peak, Role, Section};
use crate::trace::Trace;
use crate::units::{self, DB_PER_NEPER, Measured, PanelM};

/// An analysis that found nothing, and why.
pub(super) fn nothing(why: &str) -> Analysis {
    Analysis {
        events: vec![start_event(None, 0.0)],
        sections: Vec::new(),
        span: None,
        noise: event::Noise {
            floor_db: None,
            correlated_samples: 1.0,
            speckle: 0.0,
            receiver_m: 0.0,
            noise_from_m: None,
        },
        opinions: Vec::new(),
        notes: vec![why.to_owned()],
    }
}

fn start_event(peak: Option<Peak>, extent_m: f64) -> Event {
    Event {
        number: 1,
        position_m: PanelM(0.0),
        position_sigma_m: 0.0,
        role: Role::Start,
        peak,
        likely: None,
        reason: String::new(),
        loss_db: None,
        loss_at_least_db: None,
        extent_m,
        merged: 1,
    }
}

/// Everything that the fitted model says.
pub(super) fn analysis(
    trace: &Trace,
    cords: &Cords,
    samples: &Samples,
    noise: &Noise,
    found: &Found,
) -> Analysis {
    let fit = &found.fit;
    let all: Vec<Event> =
        (0..fit.model.joints.len()).map(|i| event_of(trace, samples, noise, found, i)).collect();
    let span = super::span::span(trace, cords, samples, found, &all);
    let mut events: Vec<Event> = all
        .into_iter()
        .zip(&fit.model.joints)
        .filter(|(_, joint)| !joint.faint)
        .map(|(event, _)| event)
        .collect();
    events.extend(found.lone.iter().map(|lone| echo_in_the_dark(samples, lone, fit)));
    events.sort_by(|a, b| a.position_m.0.total_cmp(&b.position_m.0));
    for (i, event) in events.iter_mut().enumerate() {
        event.number = i + 1;
        classify::name(event);
    }
    let opinions = opinion::differences(trace, &events);
    let sections = sections(samples, noise, found);
    Analysis {
        events,
        sections,
        span,
        noise: event::Noise {
            floor_db: noise.seen.then(|| samples.top_db + units::level_db(noise.sigma)),
            correlated_samples: noise.kappa,
            speckle: noise.speckle,
            receiver_m: fit.model.receiver.pole * samples.spacing_m,
            noise_from_m: (noise.dark_from < samples.len())
                .then(|| PanelM(samples.place(noise.dark_from) * samples.spacing_m)),
        },
        opinions,
        notes: notes(trace, samples, noise, fit),
    }
}

fn echo_in_the_dark(samples: &Samples, lone: &Lone, fit: &Fit) -> Event {
    Event {
        position_m: PanelM(lone.x * samples.spacing_m),
        position_sigma_m: lone.sigma * samples.spacing_m,
        role: Role::Echo,
        peak: Some(Peak::Whole { reflectance_db: None }),
        extent_m: fit.model.receiver.settled() * samples.spacing_m,
        ..start_event(None, 0.0)
    }
}

/// What a reader should know about this analysis.
fn notes(trace: &Trace, samples: &Samples, noise: &Noise, fit: &Fit) -> Vec<String> {
    let mut notes = Vec::new();
    if samples.len() < trace.counts.len() {
        notes.push(format!(
            "the trace has several pulse widths; only its first {} samples, of one pulse, are analysed",
            samples.len()
        ));
    }
    if !noise.seen {
        notes.push(
            "no noise is seen beyond the end: its size is read from the fibre's own scatter".into(),
        );
    }
    if let Some(resonance) = samples.resonance {
        notes.push(format!(
            "the receiver rings: behind every change of light the trace swings with a period of {:.1} m and \
             fades within {:.1} m; that was taken out before anything was measured",
            resonance.period * samples.spacing_m,
            resonance.length * samples.spacing_m,
        ));
    }
    if !fit.model.ends_dark() {
        notes.push("the fibre goes on beyond the trace: no end is seen".into());
    }
    let unexplained = fit.chi2_per_cell();
    if unexplained > WELL_FITTED {
        notes.push(format!(
            "something in this trace is none of what is known here: it scatters {:.1} times as much about \
             the fit as noise does, and every sigma is as many times larger",
            unexplained.sqrt()
        ));
    }
    notes
}

fn event_of(trace: &Trace, samples: &Samples, noise: &Noise, found: &Found, i: usize) -> Event {
    let fit = &found.fit;
    let joint = &fit.model.joints[i];
    let extent_m = extent(fit, i) * samples.spacing_m;
    let peak = peak(trace, noise, found, i);
    if i == 0 {
        return start_event(peak, extent_m);
    }
    let dark = matches!(joint.behind, Behind::Dark);
    let size = size::of(fit, i);
    let known = matches!(joint.behind, Behind::Fibre(_)) && size.loss_sigma_db > 0.0;
    let neighbor = if known { unfound::doubt_db(found, samples, noise, i) } else { 0.0 };
    Event {
        number: 0,
        position_m: PanelM(joint.x * samples.spacing_m),
        position_sigma_m: place_sigma(samples, fit, i) * samples.spacing_m,
        role: match (dark, joint.echo) {
            (true, _) => Role::End,
            (_, true) => Role::Echo,
            _ => Role::Joint,
        },
        peak,
        likely: None,
        reason: String::new(),
        // of a damaged trace's glimpse of fibre between two peaks a sigma may leave the range of numbers
        loss_db: Measured::new(size.loss_db, size.loss_sigma_db.hypot(neighbor))
            .finite()
            .filter(|loss| known && is_measured(loss)),
        loss_at_least_db: if dark && peak.is_none() {
            into_noise(samples, noise, fit, i)
        } else {
            None
        },
        extent_m,
        merged: joint.places,
    }
}

/// Whether a loss was measured at all: to half of itself or to 1 dB, and within what levels of a file
/// can differ by (16 bits of 0.001 dB).
pub(super) fn is_measured(loss: &Measured) -> bool {
    let size = loss.value.abs();
    loss.sigma < (0.5 * size).max(1.0) && size < 65.535
}

/// The least that is lost at an end without reflection: from the line before it to what 3 sigma over
/// a pulse would still show. `None` where even the line before is weaker.
fn into_noise(samples: &Samples, noise: &Noise, fit: &Fit, i: usize) -> Option<f64> {
    let line = fit.model.before(i)?;
    let hidden = (3.0 * noise.of_mean(samples.pulse)).max(samples.floor);
    let least = DB_PER_NEPER * (line.log(fit.model.joints[i].x) - hidden.ln());
    (least > 0.0 && least.is_finite()).then_some(least)
}

/// Sigma of a place in samples: the fit's, and what an unknown receiver may shift an edge by (0.002
/// pulse lengths, docs/theory.md), and what it does between two samples (0.02).
fn place_sigma(samples: &Samples, fit: &Fit, i: usize) -> f64 {
    let spread = fit.model.joints[i].spread.unwrap_or(0.0);
    let sigma = fit.place_sigma(i).max(spread);
    // Of a cut-off peak the height is a guess, and its edges' place hangs on it.
    let receiver = &fit.model.receiver;
    let guess = match (fit.model.joints[i].clipped, fit.model.joints[i].hidden) {
        (_, true) => receiver.pole.max(0.1 * receiver.pulse),
        (true, _) => 0.3 * receiver.pole,
        _ => 0.0,
    };
    // Where the receiver rings, its first wave may be cut off as well: nobody sees where the pulse ended.
    let wave = samples.resonance.filter(|_| fit.model.joints[i].clipped);
    let guess = wave.map_or(guess, |resonance| guess.hypot(0.25 * resonance.period));
    sigma.hypot(0.002 * receiver.pulse).hypot(0.02).hypot(guess)
}

fn peak(trace: &Trace, noise: &Noise, found: &Found, i: usize) -> Option<Peak> {
    let fit = &found.fit;
    let joint = &fit.model.joints[i];
    // Of a cut-off peak the height is a guess: what was seen of it is the receiver's limit.
    let height = joint.height.map(|h| if joint.clipped { h.min(found.ceiling) } else { h })?;
    let before = if i == 0 { fit.model.behind(0) } else { fit.model.before(i) };
    let reflectance =
        before.zip(trace.settings.backscatter_db).filter(|_| height > 0.0).and_then(|(line, b)| {
            let ratio = height / line.power(joint.x);
            let value = units::reflectance_db(ratio, b, trace.pulse_ns());
            let sigma = reflectance_sigma(fit, noise, i, line, height);
            Measured::new(value, sigma.hypot(may_be_more_db(found, i, value))).finite()
        });
    Some(if joint.clipped {
        Peak::Saturated { at_least_db: reflectance.map(|r| r.value) }
    } else {
        Peak::Whole { reflectance_db: reflectance.filter(|_| i > 0) }
    })
}

/// The most that an end reflects, glass against air, and a connector, whose two faces do: Fresnel's formula at n = 1.468,
/// and 3 dB more.
const MOST_OF_END_DB: f64 = -14.4;
const MOST_OF_JOINT_DB: f64 = -11.4;

/// Standard deviation by what the reflectance of joint `i` may be more if it was cut off, as it may have been.
pub(super) fn may_be_more_db(found: &Found, i: usize, reflectance_db: f64) -> f64 {
    if found.doubtful != Some(i) {
        return 0.0;
    }
    let end = matches!(found.fit.model.joints[i].behind, Behind::Dark);
    let most = if end { MOST_OF_END_DB } else { MOST_OF_JOINT_DB };
    (most - reflectance_db).max(0.0) / 1.96
}

/// `dR = 10/ln10·(dA/A - d ln p)`: height and backscatter vary together.
fn reflectance_sigma(fit: &Fit, noise: &Noise, i: usize, line: &Line, height: f64) -> f64 {
    let mut g = vec![0.0; fit.layout.len];
    let per_neper = 10.0 / std::f64::consts::LN_10;
    if let Some(unknown) = fit.layout.height[i] {
        g[unknown] = per_neper / height;
    }
    if let Some(unknown) = fit.layout.line_before(i.max(1)) {
        g[unknown] -= per_neper;
        g[unknown + 1] += per_neper * (fit.model.joints[i].x - line.at);
    }
    // So much light more is a reflection so much higher, an end so much earlier.
    let joint = &fit.model.joints[i];
    let shift = joint.spread.unwrap_or(0.0) / fit.model.receiver.pulse;
    let unsure = per_neper * shift * line.power(joint.x) / height;
    let zero = per_neper * noise.zero_sd / line.power(joint.x);
    // The top's unevenness is no noise: all of its cells share it.
    fit.factor.variance(g).sqrt().hypot(per_neper * TOP_RIPPLE).hypot(unsure).hypot(zero)
}

/// How far joint `i` hides the fibre behind it, in samples: to where edge and tail stay within 0.05
/// dB of the next line.
fn extent(fit: &Fit, i: usize) -> f64 {
    let receiver = &fit.model.receiver;
    let joint = &fit.model.joints[i];
    let Some(behind) = fit.model.behind(i) else { return receiver.settled() };
    let before = fit.model.before(i);
    let off = |d: f64| {
        let x = joint.x + d;
        let line = behind.power(x);
        let shape = receiver.shape_at(d);
        let left = before.map_or(0.0, |l| l.power(x));
        let mut p = left * (1.0 - shape.ramp) + line * shape.ramp;
        p += joint.height.unwrap_or(0.0) * shape.rect;
        p += joint.tail.unwrap_or(0.0) * receiver.tail_at(d);
        (DB_PER_NEPER * (p / line).ln()).abs()
    };
    let step = (receiver.pulse / 16.0).max(0.05);
    let mut d = receiver.tail_reach().max(receiver.settled());
    // Behind the edges tails do nothing but fall.
    while 0.5 * d > receiver.settled() && off(0.5 * d) < 0.05 {
        d *= 0.5;
    }
    // Fine enough near the joint, and in few steps from far.
    let nearer = |d: f64| d - step.max(0.03 * d);
    while d > step && off(nearer(d)) < 0.05 {
        d = nearer(d);
    }
    d
}

/// How far from a step the slope may have changed that was taken for it, in pulse lengths: a slope that changes looks
/// like a small step anywhere within some pulses.
const KNOT_PULSES: f64 = 5.0;

/// Where two sections meet at joint `i`. Of one that is not listed as an event only the slope may change: then its
/// step says where: half a pulse before the place where both lines have one level.
fn border(fit: &Fit, i: usize) -> f64 {
    let joint = &fit.model.joints[i];
    let lines = fit.model.before(i).zip(fit.model.behind(i));
    let Some((before, behind)) = lines.filter(|_| joint.faint && joint.height.is_none()) else {
        return joint.x;
    };
    let pulse = fit.model.receiver.pulse;
    let at = joint.x + 0.5 * pulse;
    let off = (before.log(at) - behind.log(at)) / (before.fall - behind.fall);
    if off.abs() < KNOT_PULSES * pulse { joint.x + off } else { joint.x }
}

fn sections(samples: &Samples, noise: &Noise, found: &Found) -> Vec<Section> {
    let fit = &found.fit;
    let model = &fit.model;
    let mut sections = Vec::new();
    for i in 0..model.joints.len() {
        let (Behind::Fibre(line), Some(unknown)) = (&model.joints[i].behind, fit.layout.line[i])
        else {
            continue;
        };
        let from = border(fit, i);
        let to = model.next_change(i).map_or(samples.place(samples.len() - 1), |j| border(fit, j));
        let per_km = DB_PER_NEPER * 1000.0 / samples.spacing_m;
        // A scale uneven by EVEN_DB at both ends tilts the line.
        let tilt = EVEN_DB * 2.0_f64.sqrt() / (to - from).max(1.0) / DB_PER_NEPER;
        let unfound = unfound::slope_doubt_db(found, samples, noise, i) / DB_PER_NEPER;
        let sigma = fit.sigma(unknown + 1).hypot(tilt).hypot(unfound);
        let attenuation = Measured::new(line.fall * per_km, sigma * per_km);
        let [flattest, steepest] = SLOPES_DB_PER_KM;
        let inside = attenuation.value > 0.999 * flattest && attenuation.value < 0.999 * steepest;
        sections.push(Section {
            from_m: PanelM(from * samples.spacing_m),
            to_m: PanelM(to * samples.spacing_m),
            attenuation_db_per_km: attenuation.finite().filter(|_| inside),
        });
    }
    sections
}
