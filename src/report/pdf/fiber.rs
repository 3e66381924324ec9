//! Half a page for each fibre: its traces, its links, its joints, what is to be said of it.

use std::collections::BTreeSet;

use super::face::Weight;
use super::paper::{Cell, INSIDE, Item, MARGIN, Paper, Role, Stand};
use super::picture::{self, Drawn, Frame, Place, Window};
use super::{Source, alike, became, findings, with_sigma};
use crate::job::Direction;
use crate::report::review::{Document, FiberData, FindingData, JointData};
use crate::report::table;

const ROW: f32 = 6.6;
/// Half of what a page has room for.
const HALF: f32 = 371.0;
/// Heights of a picture: fibres of few joints have the tallest, so that all begin at the same places.
const LOWEST: f32 = 64.0;
const TALLEST: f32 = 112.0;

pub(super) fn put(
    paper: &mut Paper,
    source: &Source,
    document: &Document,
    own: &FiberData,
    first: bool,
) {
    if first {
        paper.new_page();
    }
    // A fibre that fits half a page with a lower picture gets one, and then stays together.
    let rest = height_of_rest(paper, own);
    let window = Window::of(own.fiber, source.drawn);
    // Of a fibre that nobody measured there is none.
    let picture = window.map_or(0.0, |_| (HALF - rest).clamp(LOWEST, TALLEST));
    paper.need((rest + picture).min(HALF));
    if first {
        paper.bookmark("Fibres", false);
    }
    paper.bookmark(&format!("Fibre {}: {}", own.fiber, own.verdict), true);
    let length = own.length_m.map_or(String::new(), |m| format!(", {m:.1} m"));
    let title = format!(
        "Fibre {}, {} in the {} tube{length}: {}",
        own.fiber, own.color, own.tube_color, own.verdict
    );
    paper.heading(&title, 2, 10.5, 0.0);
    if let Some(window) = window {
        pictures(paper, source, own, window, picture);
    } else {
        let says = "No trace of this fibre can be drawn.";
        paper.paragraph(says, 8.0, Weight::Regular, 0.0);
    }
    links(paper, document, own);
    joints(paper, own);
    findings(paper, &own.findings, SAID);
    for says in &own.undecided {
        paper.paragraph(&format!("Undecided {says}."), SAID, Weight::Regular, 0.0);
    }
    paper.y += 8.0;
}

/// Size of what is said of a fibre.
const SAID: f32 = 7.0;

/// What a fibre takes beside its pictures: heading, both tables, findings.
fn height_of_rest(paper: &Paper, own: &FiberData) -> f32 {
    let rows = own.links.len() + own.joints.iter().filter(|joint| measured(own, joint)).count();
    let lines = |text: &str| {
        let text = paper.faces.shown(text);
        paper.faces.wrap(&text, SAID, Weight::Regular, INSIDE - 10.0).len()
    };
    let says = |alike: &[FindingData]| alike.iter().map(|found| lines(&found.says)).sum::<usize>();
    let said = alike(&own.findings).map(|alike| 1 + says(alike) + lines(&alike[0].next));
    let open = own.undecided.iter().map(|says| 1 + lines(says));
    let said: usize = said.chain(open).sum();
    let groups = alike(&own.findings).count();
    97.0 + 1.45 * ROW * rows as f32 + 1.35 * SAID * said as f32 + 3.0 * groups as f32
}

/// Whether anything was measured at a joint's wavelength: else its rows would be blank.
fn measured(own: &FiberData, joint: &JointData) -> bool {
    let here = own.joints.iter().filter(|other| other.wavelength_nm == joint.wavelength_nm);
    here.into_iter().any(|other| other.loss_db.is_some() || other.reflectance_db.is_some())
}

/// Both directions side by side, over the same stretch of cable.
fn pictures(paper: &mut Paper, source: &Source, own: &FiberData, window: Window, height: f32) {
    let nm = &source.plan.measure.wavelengths_nm;
    let places = places(own);
    let half = INSIDE / 2.0;
    let y = paper.y + 18.0;
    for (n, direction) in [Direction::AToB, Direction::BToA].into_iter().enumerate() {
        let x = MARGIN + n as f32 * half + 18.0;
        let frame = Frame { x, y, width: half - 24.0, height };
        let traces: Vec<&Drawn> =
            source.drawn.iter().filter(|d| d.is_of(own.fiber, direction)).collect();
        let end = if direction == Direction::AToB { "a" } else { "b" };
        let cut = if window.cuts(&traces) { "; peaks cut" } else { "" };
        let head = format!("from end {end}: dB over metres from end a{cut}");
        let says = said_of_picture(own.fiber, end, &traces, nm);
        let around = [x - 18.0, y - 18.0, frame.width + 20.0, height + 28.0];
        let page = paper.pages.len() - 1;
        paper.part(Role::Figure { says, page, frame: around }, |paper| {
            paper.text((x, y - 10.0), 178.0, 6.0, Weight::Bold, &head);
            if traces.is_empty() {
                let at = (x + 8.0, y + 0.5 * height);
                paper.text(at, 200.0, 8.0, Weight::Regular, "no trace from this end");
            }
            picture::put(paper, frame, window, &traces, &places, nm);
            legend(paper, (x + frame.width, y - 10.0), &traces, nm);
        });
    }
    paper.y = y + height + 12.0;
}

/// A picture in words, for whoever cannot see it.
fn said_of_picture(fiber: u32, end: &str, traces: &[&Drawn], nm: &[u16]) -> String {
    let seen = nm.iter().filter(|w| traces.iter().any(|d| d.wavelength_nm() == **w));
    let seen: Vec<String> = seen.map(|w| format!("{w} nm")).collect();
    if seen.is_empty() {
        return format!("Fibre {fiber}: no trace from end {end}.");
    }
    format!(
        "Traces of fibre {fiber} from end {end} at {}: level in dB over metres from end a. What they show stands in the tables below.",
        seen.join(" and ")
    )
}

/// Each wavelength's line with its name, ending at a place.
fn legend(paper: &mut Paper, at: (f32, f32), traces: &[&Drawn], nm: &[u16]) {
    let mut x = at.0;
    let seen = |w: &&u16| traces.iter().any(|drawn| drawn.wavelength_nm() == **w);
    for &wavelength_nm in nm.iter().rev().filter(seen).take(4) {
        let (color, dash) = picture::style(wavelength_nm, nm);
        let name = wavelength_nm.to_string();
        paper.text_before((x, at.1), 1.0, 5.5, &name);
        x -= paper.faces.width(&name, 5.5, Weight::Regular) + 2.0;
        let points = vec![(x - 10.0, at.1 - 2.0), (x, at.1 - 2.0)];
        paper.put(Item::Line { points, color, thick: 0.9, dash });
        x -= 13.0;
    }
}

/// Every joint and end connector once, and whether it failed at any wavelength.
fn places(own: &FiberData) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    for joint in &own.joints {
        let failed = joint.verdict == Some("fail");
        match places.iter_mut().find(|place| place.0 == joint.name) {
            Some(place) => place.2 |= failed,
            None => places.push((joint.name.clone(), joint.at_m, failed)),
        }
    }
    places
}

/// A row for each wavelength: what became of its measurements, and the link.
fn links(paper: &mut Paper, document: &Document, own: &FiberData) {
    let columns = [
        ("wavelength nm".into(), 58.0, Stand::Right),
        ("from end a".into(), 68.0, Stand::Left),
        ("from end b".into(), 68.0, Stand::Left),
        ("link loss dB".into(), 76.0, Stand::Right),
        ("limit dB".into(), 46.0, Stand::Right),
        ("link is".into(), 62.0, Stand::Left),
        ("return loss dB".into(), 71.0, Stand::Right),
        ("return is".into(), 62.0, Stand::Left),
    ];
    let rows: Vec<Vec<Cell>> = own
        .links
        .iter()
        .map(|link| {
            let test = |direction| {
                Cell::verdict(became(document, own.fiber, link.wavelength_nm, direction))
            };
            vec![
                Cell::plain(link.wavelength_nm.to_string()),
                test(Direction::AToB),
                test(Direction::BToA),
                Cell::plain(with_sigma(link.loss_db, link.loss_sigma_db, 3)),
                Cell::plain(table::figure(link.limit_db, 3)),
                Cell::verdict(link.verdict.unwrap_or("")),
                Cell::plain(with_sigma(link.return_loss_db, link.return_loss_sigma_db, 2)),
                Cell::verdict(link.return_loss_verdict.unwrap_or("")),
            ]
        })
        .collect();
    paper.table(&columns, &rows, ROW);
    paper.y -= 2.0;
}

/// A row for each joint or end connector and wavelength; wavelengths without any figure in one line.
fn joints(paper: &mut Paper, own: &FiberData) {
    let columns = [
        ("joint".into(), 84.0, Stand::Left),
        ("at m".into(), 62.0, Stand::Right),
        ("nm".into(), 26.0, Stand::Right),
        ("from a dB".into(), 70.0, Stand::Right),
        ("from b dB".into(), 70.0, Stand::Right),
        ("loss dB".into(), 70.0, Stand::Right),
        ("reflectance dB".into(), 67.0, Stand::Right),
        ("joint is".into(), 62.0, Stand::Left),
    ];
    let rows: Vec<Vec<Cell>> = own
        .joints
        .iter()
        .filter(|joint| measured(own, joint))
        .map(|joint| {
            let loss = Cell::plain(with_sigma(joint.loss_db, joint.loss_sigma_db, 3));
            let failed = joint.verdict == Some("fail");
            let loss = Cell { weight: if failed { Weight::Bold } else { loss.weight }, ..loss };
            let from_a = with_sigma(joint.loss_from_a_db, joint.loss_from_a_sigma_db, 3);
            let from_b = with_sigma(joint.loss_from_b_db, joint.loss_from_b_sigma_db, 3);
            let peak = with_sigma(joint.reflectance_db, joint.reflectance_sigma_db, 2);
            let bound = joint.reflectance_db.is_some() && joint.reflectance_sigma_db.is_none();
            vec![
                Cell::plain(joint.name.as_str()),
                Cell::plain(with_sigma(Some(joint.at_m), positive(joint.at_sigma_m), 1)),
                Cell::plain(joint.wavelength_nm.to_string()),
                Cell::plain(from_a),
                Cell::plain(from_b),
                loss,
                Cell::plain(if bound { format!("≥ {peak}") } else { peak }),
                Cell::verdict(joint.verdict.unwrap_or("")),
            ]
        })
        .collect();
    paper.table(&columns, &rows, ROW);
    let blank = own.joints.iter().filter(|joint| !measured(own, joint));
    let blank: BTreeSet<u16> = blank.map(|joint| joint.wavelength_nm).collect();
    for nm in blank {
        let says = format!("No joint was measured at {nm} nm.");
        paper.paragraph(&says, SAID, Weight::Regular, 0.0);
    }
}

/// The end connectors' places are where distances begin: they have no sigma.
fn positive(sigma: f64) -> Option<f64> {
    (sigma > 0.0).then_some(sigma)
}
