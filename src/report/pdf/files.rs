//! At the end: every file that was read, by its hash.

use super::Source;
use super::face::Weight;
use super::paper::{FAINT, INSIDE, Item, MARGIN, Paper, Role, SHADE};
use crate::report::review::{Document, TestData};

pub(super) fn put(paper: &mut Paper, source: &Source, document: &Document) {
    let files = document.tests.iter().filter(|test| test.file.is_some()).count();
    // A few files stand below the last fibre, where there is room for all; else a page begins.
    if paper.room() < ABOVE + ROW * files as f32 {
        paper.new_page();
    }
    paper.bookmark("Source files", false);
    paper.heading("Source files", 2, 14.0, 60.0);
    let says = format!(
        "{}. A file is the one that was measured if its SHA-256 (FIPS 180-4) is the one given here. Times are those of the instruments' clocks.",
        super::counted(files, "file")
    );
    paper.paragraph(&says, 8.5, Weight::Regular, 0.0);
    let text = format!(
        "Made with strandline {} from the plan with the SHA-256 {}.",
        env!("CARGO_PKG_VERSION"),
        source.plan_sha256
    );
    paper.paragraph(&text, 8.5, Weight::Regular, 0.0);
    paper.part(Role::Table, |paper| {
        head(paper);
        for test in &document.tests {
            if paper.room() < 2.0 * LINE {
                paper.new_page();
                paper.aside(head);
            }
            row(paper, test);
        }
    });
}

/// One file: what it is, and its hash below its name.
fn row(paper: &mut Paper, test: &TestData) {
    let Some(file) = &test.file else { return };
    let what = match (test.fiber, test.wavelength_nm, test.direction) {
        (Some(fiber), Some(nm), Some(way)) => format!("fibre {fiber}, {nm} nm {way}"),
        _ => "unknown".to_owned(),
    };
    let what = match test.verdict {
        "surplus" | "superseded" | "unreadable" => test.verdict.to_owned() + ": " + &what,
        _ => what,
    };
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let (at, who) = (text(&test.measured_at), text(&test.operator));
    line(paper, [file, &what, &at, &who], &text(&test.sha256), &Role::Cell);
    paper.y += LINE;
    let points = vec![(MARGIN, paper.y + 3.0), (MARGIN + INSIDE, paper.y + 3.0)];
    paper.put(Item::Line { points, color: FAINT, thick: 0.3, dash: None });
    paper.y += 2.0;
}

const SIZE: f32 = 6.6;
const LINE: f32 = 9.6;
/// Height of a file's row, and of what stands above the first.
const ROW: f32 = 2.0 * LINE + 2.0;
const ABOVE: f32 = 110.0;
/// From the left margin: file, measurement, time, operator.
const COLUMNS: [(f32, f32); 4] = [(0.0, 206.0), (210.0, 131.0), (345.0, 82.0), (431.0, 80.0)];

fn head(paper: &mut Paper) {
    let titles = ["file, below it its SHA-256", "measurement", "time", "operator"];
    let (y, height) = (paper.y + 2.0, LINE + 2.0);
    paper.put(Item::Area { x: MARGIN, y, width: INSIDE, height, color: SHADE });
    line(paper, titles, "", &Role::Head);
    paper.y += 3.0;
}

/// The cells of a row, and what stands below the first.
fn line(paper: &mut Paper, texts: [&str; 4], below: &str, role: &Role) {
    let weight = if *role == Role::Head { Weight::Bold } else { Weight::Regular };
    paper.y += LINE;
    paper.part(Role::Row, |paper| {
        for (n, (text, (from, room))) in texts.into_iter().zip(COLUMNS).enumerate() {
            let shown = paper.faces.shown(text);
            // Of a path the end says more than the beginning.
            let shown =
                if n == 0 { paper.faces.cut_front(&shown, SIZE, weight, room) } else { shown };
            let shown = paper.faces.cut(&shown, SIZE, weight, room);
            let (x, y, size) = (MARGIN + from, paper.y, SIZE);
            paper.part(role.clone(), |paper| {
                paper.put(Item::Text { x, y, size, weight, text: shown + " " });
                if n == 0 && !below.is_empty() {
                    paper.text((x + 10.0, y + LINE), INSIDE - 10.0, SIZE, weight, below);
                }
            });
        }
    });
}

#[cfg(test)]
mod tests {
    use super::super::face::Faces;
    use super::super::review;
    use super::*;
    use crate::job::{self, Test, Unreadable};
    use crate::plan;

    /// Pages before and after the files, and where they end, where `y` of the first page is taken.
    fn pages(files: usize, y: f32) -> (usize, f32) {
        let text = "schema = \"strandline.plan/1\"\n[cable]\nid = \"X\"\nfibers = \"1\"\n\
                    ends = [\"A\", \"B\"]\n[measure]\nwavelengths_nm = [1550]\n";
        let plan = plan::read(text).expect("a plan");
        let file = |i| Test {
            path: format!("{i:03}.sor").into(),
            sha256: "00".repeat(32),
            content: Err(Unreadable { says: "no trace".into(), hint: None }),
        };
        let review = job::judge((0..files).map(file).collect(), &plan);
        let source = Source {
            review: &review,
            plan: &plan,
            plan_sha256: &"00".repeat(32),
            made_unix_s: 0,
            drawn: &[],
        };
        let mut paper = Paper::new(Faces::new().expect("fonts"));
        paper.y = y;
        put(&mut paper, &source, &review::document(&review, &plan, source.plan_sha256));
        (paper.pages.len(), paper.y)
    }

    #[test]
    fn few_files_stand_below_the_last_fibre_and_many_begin_a_page() {
        // Half a page is left below a fibre.
        let (count, end) = pages(8, 420.0);
        assert_eq!(count, 1);
        // What is reckoned above and for each row is what it takes, within a line.
        let needed = ABOVE + ROW * 8.0;
        assert!((end - 420.0 - needed).abs() < 2.0 * LINE, "{} of {needed}", end - 420.0);
        assert_eq!(pages(20, 420.0).0, 2);
        assert_eq!(pages(20, MARGIN).0, 1);
    }
}
