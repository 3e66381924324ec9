//! The review as one document to hand over, print and sign.
//!
//! It shows the figures of `strandline.review/1` and calculates none. Pages are put together as lists
//! of what stands on them, then written at once, so that each can say of how many it is one.

use super::{CAUTION, review};
use crate::job::{Direction, Review, Severity};
use crate::plan::Plan;

mod compact;
mod cover;
mod face;
mod fiber;
mod files;
mod paper;
mod picture;
mod render;
mod summary;

pub use picture::Drawn;

use face::{Faces, Weight};
use paper::{HEIGHT, INSIDE, MARGIN, Paper, WIDTH};

/// Why no document could be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PdfError {
    /// The fonts inside the program are damaged.
    #[error("the fonts inside the program cannot be read")]
    Fonts,
    /// The writer refused a page.
    #[error("the pages could not be written as PDF")]
    Pages,
}

/// What a document is made of.
#[derive(Clone, Copy, Debug)]
pub struct Source<'a> {
    /// What was found.
    pub review: &'a Review,
    /// What was asked for.
    pub plan: &'a Plan,
    /// Hash of the plan file's bytes.
    pub plan_sha256: &'a str,
    /// The date of the document in seconds since 1970, from the data.
    pub made_unix_s: u32,
    /// The traces to draw, see [`Drawn::of`].
    pub drawn: &'a [Drawn],
}

/// The document's bytes.
///
/// # Errors
/// Never in practice: no input makes it fail.
pub fn pdf(source: &Source) -> Result<Vec<u8>, PdfError> {
    let document = review::document(source.review, source.plan, source.plan_sha256);
    let mut paper = Paper::new(Faces::new().ok_or(PdfError::Fonts)?);
    cover::put(&mut paper, source, &document);
    summary::put(&mut paper, source, &document);
    for (n, own) in document.fibers.iter().enumerate() {
        fiber::put(&mut paper, source, &document, own, n == 0);
    }
    files::put(&mut paper, source, &document);
    feet(&mut paper, source);
    let about = render::About {
        title: paper.faces.shown(&format!("{}: record of measurements", source.plan.cable.id)),
        made_unix_s: source.made_unix_s,
        plan_sha256: source.plan_sha256.to_owned(),
    };
    render::document(&paper, &about).ok_or(PdfError::Pages)
}

/// Below every page: the caution, what the page belongs to, and its number.
fn feet(paper: &mut Paper, source: &Source) {
    let of = paper.pages.len();
    let hash: String = source.plan_sha256.chars().take(12).collect();
    let cable = &source.plan.cable.id;
    let whose = format!("strandline {}, plan {hash}…, cable {cable}", env!("CARGO_PKG_VERSION"));
    for (n, page) in std::mem::take(&mut paper.pages).into_iter().enumerate() {
        paper.pages.push(page);
        let number = format!("page {} of {of}", n + 1);
        paper.aside(|paper| foot(paper, &whose, &number));
    }
}

fn foot(paper: &mut Paper, whose: &str, number: &str) {
    let points = vec![(MARGIN, HEIGHT - 48.0), (WIDTH - MARGIN, HEIGHT - 48.0)];
    paper.put(paper::Item::Line { points, color: paper::FAINT, thick: 0.5, dash: None });
    let room = INSIDE - 80.0;
    paper.text((MARGIN, HEIGHT - 38.0), room, 7.0, Weight::Regular, CAUTION);
    paper.text((MARGIN, HEIGHT - 28.0), room, 7.0, Weight::Regular, whose);
    paper.text_before((WIDTH - MARGIN, HEIGHT - 28.0), 1.0, 7.0, number);
}

/// Findings in paragraphs; those that differ only in what they say, such as missing measurements, as one.
fn findings(paper: &mut Paper, found: &[review::FindingData], size: f32) {
    for alike in alike(found) {
        finding(paper, alike, size);
    }
}

/// Neighbours of one kind, place and remedy.
fn alike(found: &[review::FindingData]) -> impl Iterator<Item = &[review::FindingData]> {
    found.chunk_by(|a, b| {
        (a.severity, a.kind, &a.place, &a.next) == (b.severity, b.kind, &b.place, &b.next)
    })
}

/// What is the matter and what to do.
fn finding(paper: &mut Paper, alike: &[review::FindingData], size: f32) {
    let Some(found) = alike.first() else { return };
    let place = found.place.as_ref().map_or(String::new(), |place| format!(" at {place}"));
    let fault = found.severity == review::severity(Severity::Fault);
    let weight = if fault { Weight::Bold } else { Weight::Regular };
    let head = format!("{}: {}{place}", found.severity, found.kind);
    paper.need(4.5 * size);
    paper.paragraph(&head, size, weight, 0.0);
    for own in alike {
        paper.y -= 0.4 * size;
        paper.paragraph(&own.says, size, Weight::Regular, 10.0);
    }
    if fault && !found.next.is_empty() {
        paper.y -= 0.4 * size;
        paper.paragraph(&format!("next: {}", found.next), size, Weight::Regular, 10.0);
    }
}

/// What became of a measurement, in a word; blank where the plan does not ask for it.
fn became(
    document: &review::Document,
    fiber: u32,
    wavelength_nm: u16,
    direction: Direction,
) -> &'static str {
    let found = document.tests.iter().find(|test| {
        test.fiber == Some(fiber)
            && test.wavelength_nm == Some(wavelength_nm)
            && test.direction == Some(direction.word())
            && (test.counts || test.verdict == "missing")
    });
    found.map_or("", |test| test.verdict)
}

/// `1 file`, `2 files`.
fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// A figure with its sigma, as tables show it; nothing for `None`.
fn with_sigma(value: Option<f64>, sigma: Option<f64>, decimals: usize) -> String {
    match (value, sigma) {
        (None, _) => String::new(),
        (Some(value), None) => super::table::figure(Some(value), decimals),
        (Some(value), Some(sigma)) => format!(
            "{} ± {}",
            super::table::figure(Some(value), decimals),
            super::table::sigma(sigma, decimals)
        ),
    }
}
