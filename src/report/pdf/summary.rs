//! The cable at a glance: what became of every measurement, and the loss at every joint.

use super::face::Weight;
use super::paper::{Cell, Color, FAINT, INK, INSIDE, Item, MARGIN, Paper, Role, Stand};
use super::{Source, became, findings, with_sigma};
use crate::job::{Direction, Severity};
use crate::report::review::{self, Document, JointData};
use crate::report::table;

pub(super) fn put(paper: &mut Paper, source: &Source, document: &Document) {
    paper.new_page();
    paper.bookmark("Summary", false);
    paper.heading("Every measurement", 2, 14.0, 60.0);
    matrix(paper, source, document);
    worklist(paper, document);
    for &nm in &source.plan.measure.wavelengths_nm {
        heat(paper, source, document, nm);
    }
    if !document.findings.is_empty() {
        paper.bookmark("Findings of the job as a whole", true);
        paper.heading("Of the job as a whole", 3, 11.0, 40.0);
        findings(paper, &document.findings, 8.0);
    }
}

/// A row a fibre: its verdict, each wavelength from each end, and the links' losses.
fn matrix(paper: &mut Paper, source: &Source, document: &Document) {
    let nm = &source.plan.measure.wavelengths_nm;
    let width = (INSIDE - 140.0) / (3 * nm.len()).max(1) as f32;
    let mut columns = vec![
        ("fibre".into(), 26.0, Stand::Right),
        ("colour, tube".into(), 58.0, Stand::Left),
        ("verdict".into(), 56.0, Stand::Left),
    ];
    for w in nm {
        columns.push((format!("{w} from a"), width, Stand::Left));
        columns.push((format!("{w} from b"), width, Stand::Left));
    }
    for w in nm {
        columns.push((format!("{w} link dB"), width, Stand::Right));
    }
    let mut rows = Vec::new();
    for own in &document.fibers {
        let mut row = vec![
            Cell::plain(own.fiber.to_string()),
            Cell::plain(format!("{}, {}", own.color, own.tube_color)),
            Cell::verdict(own.verdict),
        ];
        for w in nm {
            for direction in [Direction::AToB, Direction::BToA] {
                row.push(Cell::verdict(became(document, own.fiber, *w, direction)));
            }
        }
        for w in nm {
            let link = own.links.iter().find(|link| link.wavelength_nm == *w);
            let loss = link.map(|link| with_sigma(link.loss_db, link.loss_sigma_db, 3));
            row.push(Cell::plain(loss.unwrap_or_default()));
        }
        rows.push(row);
    }
    // Three wavelengths leave each word less room.
    paper.table(&columns, &rows, if nm.len() > 2 { 5.0 } else { 6.0 });
}

/// What is to be put right, fibre by fibre; the figures stand with each fibre.
fn worklist(paper: &mut Paper, document: &Document) {
    let fault = review::severity(Severity::Fault);
    let mut rows = Vec::new();
    for own in &document.fibers {
        for found in own.findings.iter().filter(|found| found.severity == fault) {
            // Without a place what is the matter says which measurement or other fibre it is.
            let next = match &found.place {
                Some(_) => found.next.clone(),
                None => format!("{}: {}", found.says, found.next),
            };
            rows.push(vec![
                Cell::plain(own.fiber.to_string()),
                Cell::plain(found.kind),
                Cell::plain(found.place.as_deref().unwrap_or("")),
                Cell::plain(found.at_m.map_or(String::new(), |m| format!("{m:.1}"))),
                Cell::plain(next),
            ]);
        }
    }
    if rows.is_empty() {
        return;
    }
    paper.bookmark("To be put right", true);
    paper.heading("To be put right", 3, 11.0, 40.0);
    let columns = [
        ("fibre".into(), 30.0, Stand::Right),
        ("what".into(), 80.0, Stand::Left),
        ("where".into(), 70.0, Stand::Left),
        ("at m".into(), 46.0, Stand::Right),
        ("next".into(), INSIDE - 226.0, Stand::Wrapped),
    ];
    paper.table(&columns, &rows, 7.0);
}

const NAME: f32 = 30.0;
const LEAST_CELL: f32 = 30.0;
const MOST_CELL: f32 = 96.0;
const CELL_HEIGHT: f32 = 11.0;

/// Fibres × joints at one wavelength: the loss in words, and behind it how near its limit that is.
fn heat(paper: &mut Paper, source: &Source, document: &Document, nm: u16) {
    let Some(first) = document.fibers.first() else { return };
    let of = |joint: &&JointData| joint.wavelength_nm == nm;
    let names: Vec<String> = first.joints.iter().filter(of).map(|j| j.name.clone()).collect();
    if names.is_empty() {
        return;
    }
    let title = format!("Loss at every joint, mean of both ends, {nm} nm, dB");
    let mut losses = document.fibers.iter().flat_map(|own| own.joints.iter().filter(of));
    if losses.all(|joint| joint.loss_db.is_none()) {
        paper.paragraph(&format!("No joint was measured at {nm} nm."), 8.0, Weight::Regular, 0.0);
        return;
    }
    let count = ((INSIDE - NAME) / LEAST_CELL) as usize;
    // As few bands of columns as fit, of about the same width.
    let bands = names.len().div_ceil(count);
    for (band, names) in names.chunks(names.len().div_ceil(bands)).enumerate() {
        let width = ((INSIDE - NAME) / names.len() as f32).min(MOST_CELL);
        paper.need(100.0); // heading, names and a row or two stay together
        if band == 0 {
            paper.bookmark(&title, true);
            paper.heading(&title, 3, 11.0, 40.0);
            legend(paper);
        }
        paper.part(Role::Table, |paper| {
            heads(paper, names, width);
            for own in &document.fibers {
                if paper.room() < CELL_HEIGHT {
                    paper.new_page();
                    paper.aside(|paper| heads(paper, names, width));
                }
                paper.part(Role::Row, |paper| {
                    let (fiber, at) = (own.fiber.to_string(), (MARGIN + NAME - 4.0, paper.y + 8.0));
                    paper.part(Role::Cell, |paper| paper.text_before(at, 1.0, 6.5, &fiber));
                    for (n, name) in names.iter().enumerate() {
                        let joint = own.joints.iter().filter(of).find(|j| j.name == *name);
                        let at = (MARGIN + NAME + n as f32 * width, paper.y);
                        paper.part(Role::Cell, |paper| {
                            cell(paper, at, width, joint, source.plan.allowance_at_db(name));
                        });
                    }
                });
                paper.y += CELL_HEIGHT;
            }
        });
        paper.y += 8.0;
    }
}

/// Names of joints over their columns, on up to three lines: in a cable they often begin alike.
fn heads(paper: &mut Paper, names: &[String], width: f32) {
    let size = 6.0;
    let wrapped: Vec<Vec<String>> = names
        .iter()
        .map(|name| {
            let name = paper.faces.shown(name);
            let lines = paper.faces.wrap(&name, size, Weight::Bold, width - 3.0);
            let (first, rest) = lines.split_at(lines.len().min(2));
            let mut lines = first.to_vec();
            if !rest.is_empty() {
                lines.push(rest.join(" "));
            }
            lines
        })
        .collect();
    let most = wrapped.iter().map(Vec::len).max().unwrap_or(1).max(1);
    paper.y += 3.0 + 7.0 * most as f32;
    paper.part(Role::Row, |paper| {
        let at = (MARGIN, paper.y - 2.5);
        paper.part(Role::Head, |paper| paper.text(at, NAME - 4.0, size, Weight::Bold, "fibre"));
        for (n, lines) in wrapped.iter().enumerate() {
            let x = MARGIN + NAME + n as f32 * width + 2.0;
            paper.part(Role::Head, |paper| {
                for (k, line) in lines.iter().enumerate() {
                    let y = paper.y - 2.5 - 7.0 * (lines.len() - 1 - k) as f32;
                    paper.text((x, y), width - 3.0, size, Weight::Bold, line);
                }
            });
        }
    });
}

fn cell(
    paper: &mut Paper,
    at: (f32, f32),
    width: f32,
    joint: Option<&JointData>,
    limit_db: Option<f64>,
) {
    let (x, y) = at;
    let (w, h) = (width - 1.0, CELL_HEIGHT - 1.0);
    let loss = joint.and_then(|joint| joint.loss_db);
    let verdict = joint.and_then(|joint| joint.verdict);
    if let Some((loss, limit)) = loss.zip(limit_db) {
        paper.put(Item::Area { x, y, width: w, height: h, color: heat_color(loss / limit) });
    }
    let corners = vec![(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)];
    let (color, thick, dash) = match verdict {
        Some("fail") => (INK, 1.1, None),
        Some("undecided") => (INK, 0.8, Some(1.6)),
        _ => (FAINT, 0.3, None),
    };
    paper.put(Item::Line { points: corners, color, thick, dash });
    let weight = if verdict == Some("fail") { Weight::Bold } else { Weight::Regular };
    let text = loss.map_or("none".to_owned(), |loss| table::figure(Some(loss), 3));
    paper.text((x + 3.0, y + 7.4), w - 4.0, 6.5, weight, &text);
}

/// From nothing lost, nearly white, to the limit, a blue on which ink can still be read; beyond it
/// another hue. `share`: loss over limit.
fn heat_color(share: f64) -> Color {
    let blend = |from: Color, to: Color, share: f64| {
        let mix = |i: usize| {
            (f64::from(from[i]) + share * (f64::from(to[i]) - f64::from(from[i]))).round() as u8
        };
        [mix(0), mix(1), mix(2)]
    };
    if share > 1.0 {
        blend([243, 205, 187], [236, 160, 122], ((share - 1.0) / 3.0).min(1.0))
    } else {
        blend([250, 251, 252], [150, 186, 216], share.max(0.0))
    }
}

/// What shades and frames mean, in words.
fn legend(paper: &mut Paper) {
    let mut x = MARGIN;
    let y = paper.y + 2.0;
    for (text, share, thick, dash) in [
        ("no loss", 0.0, 0.3, None),
        ("half its limit", 0.5, 0.3, None),
        ("at its limit", 1.0, 0.3, None),
        ("beyond its limit", 1.5, 0.3, None),
        ("fail, of loss or reflectance: bold in a frame", 0.0, 1.1, None),
        ("undecided: dashed frame", 0.0, 0.8, Some(1.6)),
    ] {
        paper.put(Item::Area { x, y, width: 14.0, height: 8.0, color: heat_color(share) });
        let points = vec![(x, y), (x + 14.0, y), (x + 14.0, y + 8.0), (x, y + 8.0), (x, y)];
        let color = if thick > 0.5 { INK } else { FAINT };
        paper.put(Item::Line { points, color, thick, dash });
        paper.text((x + 17.0, y + 6.5), 160.0, 6.5, Weight::Regular, text);
        x += 27.0 + paper.faces.width(text, 6.5, Weight::Regular);
    }
    paper.y += 14.0;
}
