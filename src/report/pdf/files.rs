//! The last pages: every file that was read, by its hash.

use super::Source;
use super::face::Weight;
use super::paper::{FAINT, INSIDE, Item, MARGIN, Paper, SHADE};
use crate::report::review::Document;

pub(super) fn put(paper: &mut Paper, source: &Source, document: &Document) {
    paper.new_page();
    paper.bookmark("Source files", false);
    paper.heading("Source files", 14.0, 60.0);
    let says = format!(
        "{} files. A file is the one that was measured if its SHA-256 (FIPS 180-4) is the one given here. Times are those of the instruments' clocks.",
        source.review.tests.len()
    );
    paper.paragraph(&says, 8.5, Weight::Regular, 0.0);
    head(paper);
    for test in &document.tests {
        let Some(file) = &test.file else { continue };
        if paper.room() < 2.0 * LINE {
            paper.new_page();
            head(paper);
        }
        let what = match (test.fiber, test.wavelength_nm, test.direction) {
            (Some(fiber), Some(nm), Some(way)) => format!("fibre {fiber}, {nm} nm {way}"),
            _ => "unknown".to_owned(),
        };
        let what = match test.verdict {
            "surplus" | "superseded" | "unreadable" => test.verdict.to_owned() + ": " + &what,
            _ => what,
        };
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        line(
            paper,
            [file, &what, &text(&test.measured_at), &text(&test.operator)],
            Weight::Regular,
        );
        paper.y += LINE;
        paper.text(
            (MARGIN + 10.0, paper.y),
            INSIDE - 10.0,
            SIZE,
            Weight::Regular,
            &text(&test.sha256),
        );
        let points = vec![(MARGIN, paper.y + 3.0), (MARGIN + INSIDE, paper.y + 3.0)];
        paper.put(Item::Line { points, color: FAINT, thick: 0.3, dash: None });
        paper.y += 2.0;
    }
    paper.y += 10.0;
    let text = format!(
        "Made with strandline {} from the plan with the SHA-256 {}.",
        env!("CARGO_PKG_VERSION"),
        source.plan_sha256
    );
    paper.paragraph(&text, 8.5, Weight::Regular, 0.0);
}

const SIZE: f32 = 6.6;
const LINE: f32 = 9.6;
/// From the left margin: file, measurement, time, operator.
const COLUMNS: [(f32, f32); 4] = [(0.0, 206.0), (210.0, 131.0), (345.0, 82.0), (431.0, 80.0)];

fn head(paper: &mut Paper) {
    let titles = ["file, below it its SHA-256", "measurement", "time", "operator"];
    let (y, height) = (paper.y + 2.0, LINE + 2.0);
    paper.put(Item::Area { x: MARGIN, y, width: INSIDE, height, color: SHADE });
    line(paper, titles, Weight::Bold);
    paper.y += 3.0;
}

fn line(paper: &mut Paper, texts: [&str; 4], weight: Weight) {
    paper.y += LINE;
    for (n, (text, (from, room))) in texts.into_iter().zip(COLUMNS).enumerate() {
        let shown = paper.faces.shown(text);
        // Of a path the end says more than the beginning.
        let shown = if n == 0 { paper.faces.cut_front(&shown, SIZE, weight, room) } else { shown };
        paper.text((MARGIN + from, paper.y), room, SIZE, weight, &shown);
    }
}
