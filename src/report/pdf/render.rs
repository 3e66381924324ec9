//! Finished pages as PDF: the only part that knows krilla.

use std::num::NonZeroU16;
use std::sync::Arc;

use krilla::color::rgb;
use krilla::destination::XyzDestination;
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, BBox, ContentTag, Identifier, SpanTag, TableHeaderScope, Tag, TagGroup,
    TagKind, TagTree,
};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Data, Document, SerializeSettings};

use super::compact;
use super::face::{self, Faces, Weight};
use super::paper::{Bookmark, Color, HEIGHT, Item, Paper, Part, Role, WIDTH};

/// Of every word that is not a name.
const LANGUAGE: &str = "en";

/// What a document says of itself.
pub(super) struct About {
    pub title: String,
    pub made_unix_s: u32,
    /// The plan's hash: with the bytes it makes the document's own number.
    pub plan_sha256: String,
}

/// The document's bytes; `None` where krilla refuses them, which no input brings about.
pub(super) fn document(paper: &Paper, about: &About) -> Option<Vec<u8>> {
    written(paper, about, SerializeSettings::default())
}

fn written(paper: &Paper, about: &About, settings: SerializeSettings) -> Option<Vec<u8>> {
    let fonts = Fonts {
        regular: Font::new(data(Weight::Regular), 0)?,
        bold: Font::new(data(Weight::Bold), 0)?,
    };
    let mut document = Document::new_with(settings);
    let mut drawn: Vec<Vec<Identifier>> = vec![Vec::new(); paper.parts.len()];
    for items in &paper.pages {
        let mut page = document.start_page_with(PageSettings::from_wh(WIDTH, HEIGHT)?);
        let mut surface = page.surface();
        for together in items.chunk_by(|a, b| a.0 == b.0) {
            let part = together.first().and_then(|(part, _)| *part);
            let identifier = surface.start_tagged(content(paper, part));
            for (_, item) in together {
                draw(&mut surface, item, &paper.faces, &fonts);
            }
            surface.end_tagged();
            if let Some(part) = part {
                drawn[part].push(identifier);
            }
        }
        surface.finish();
        page.finish();
    }
    document.set_tag_tree(tree(&paper.parts, drawn));
    document.set_outline(outline(&paper.bookmarks));
    document.set_metadata(metadata(about));
    document.finish().ok().map(compact::packed)
}

/// What is drawn for a part, or for none.
fn content(paper: &Paper, part: Option<usize>) -> ContentTag<'static> {
    match part.map(|n| &paper.parts[n].role) {
        None => ContentTag::Artifact(Artifact::with_kind(ArtifactType::Other)),
        Some(Role::Figure { .. }) => ContentTag::Other,
        Some(_) => ContentTag::Span(SpanTag::empty()),
    }
}

/// All parts in their order of reading, each with what was drawn for it.
fn tree(parts: &[Part], drawn: Vec<Vec<Identifier>>) -> TagTree {
    let mut groups: Vec<TagGroup> = parts.iter().map(|part| TagGroup::new(tag(part))).collect();
    for (group, identifiers) in groups.iter_mut().zip(drawn) {
        for identifier in identifiers {
            group.push(identifier);
        }
    }
    // A part stands behind the one around it: from the last to the first each is whole when it goes in.
    let mut outer = Vec::new();
    let mut inner: Vec<Vec<TagGroup>> = vec![Vec::new(); parts.len()];
    for (n, part) in parts.iter().enumerate().rev() {
        let Some(mut group) = groups.pop() else { break };
        for child in std::mem::take(&mut inner[n]).into_iter().rev() {
            group.push(child);
        }
        match part.inside {
            Some(around) => inner[around].push(group),
            None => outer.push(group),
        }
    }
    let mut tree = TagTree::new().with_lang(Some(LANGUAGE.into()));
    for group in outer.into_iter().rev() {
        tree.push(group);
    }
    tree
}

fn tag(part: &Part) -> TagKind {
    match &part.role {
        Role::Heading(level, words) => {
            let level = NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN);
            Tag::Hn(level, Some(words.clone())).into()
        }
        Role::Paragraph => Tag::P.into(),
        Role::Table => Tag::Table.into(),
        Role::Row => Tag::TR.into(),
        Role::Head => Tag::TH(TableHeaderScope::Column).into(),
        Role::Cell => Tag::TD.into(),
        Role::Figure { says, page, frame: [x, y, width, height] } => {
            let around = Rect::from_xywh(*x, *y, *width, *height);
            let around = around.map(|rect| BBox::new(*page, rect));
            Tag::Figure(Some(says.clone())).with_bbox(around).into()
        }
    }
}

struct Fonts {
    regular: Font,
    bold: Font,
}

fn data(weight: Weight) -> Data {
    Data::from(Arc::new(face::bytes(weight)) as Arc<dyn AsRef<[u8]> + Send + Sync>)
}

fn draw(surface: &mut Surface<'_>, item: &Item, faces: &Faces, fonts: &Fonts) {
    match item {
        Item::Text { text, .. } if text.is_empty() => {}
        Item::Text { x, y, size, weight, text } => {
            fill(surface, super::paper::INK);
            let font = match weight {
                Weight::Regular => &fonts.regular,
                Weight::Bold => &fonts.bold,
            };
            let glyphs = glyphs(faces, text, *weight);
            let at = Point::from_xy(*x, *y);
            surface.draw_glyphs(at, &glyphs, font.clone(), text, *size, false);
        }
        Item::Area { x, y, width, height, color } => {
            let mut path = PathBuilder::new();
            let Some(rect) = Rect::from_xywh(*x, *y, *width, *height) else { return };
            path.push_rect(rect);
            fill(surface, *color);
            if let Some(path) = path.finish() {
                surface.draw_path(&path);
            }
        }
        Item::Line { points, color, thick, dash } => {
            surface.set_fill(None);
            surface.set_stroke(Some(Stroke {
                paint: paint(*color),
                width: *thick,
                line_join: LineJoin::Round,
                dash: dash.map(|on| StrokeDash { array: vec![on, 0.6 * on], offset: 0.0 }),
                ..Stroke::default()
            }));
            through(surface, points);
        }
    }
}

fn paint(color: Color) -> krilla::paint::Paint {
    rgb::Color::new(color[0], color[1], color[2]).into()
}

fn fill(surface: &mut Surface<'_>, color: Color) {
    surface.set_stroke(None);
    let opacity = NormalizedF32::ONE;
    surface.set_fill(Some(Fill { paint: paint(color), opacity, ..Fill::default() }));
}

/// Draws what leads through some points.
fn through(surface: &mut Surface<'_>, points: &[(f32, f32)]) {
    let mut path = PathBuilder::new();
    for (n, (x, y)) in points.iter().enumerate() {
        if n == 0 {
            path.move_to(*x, *y);
        } else {
            path.line_to(*x, *y);
        }
    }
    if let Some(path) = path.finish() {
        surface.draw_path(&path);
    }
}

/// A letter a glyph, so that a search finds what is read.
fn glyphs(faces: &Faces, text: &str, weight: Weight) -> Vec<KrillaGlyph> {
    let all = faces.glyphs(text, weight);
    let ends = all.iter().skip(1).map(|glyph| glyph.0).chain([text.len()]);
    all.iter()
        .zip(ends)
        .map(|(&(from, id, width), to)| {
            KrillaGlyph::new(GlyphId::new(id), width, 0.0, 0.0, 0.0, from..to, None)
        })
        .collect()
}

fn outline(bookmarks: &[Bookmark]) -> Outline {
    let mut outer: Vec<OutlineNode> = Vec::new();
    for mark in bookmarks {
        let place = XyzDestination::new(mark.page, Point::from_xy(0.0, (mark.y - 8.0).max(0.0)));
        let node = OutlineNode::new(mark.title.clone(), place);
        match outer.last_mut() {
            Some(last) if mark.inner => last.push_child(node),
            _ => outer.push(node),
        }
    }
    let mut outline = Outline::new();
    for node in outer {
        outline.push_child(node);
    }
    outline
}

fn metadata(about: &About) -> Metadata {
    let metadata = Metadata::new()
        .title(about.title.clone())
        .language(LANGUAGE.into())
        .creator(format!("strandline {}", env!("CARGO_PKG_VERSION")))
        .document_id(about.plan_sha256.clone());
    let Ok(made) = jiff::Timestamp::from_second(i64::from(about.made_unix_s)) else {
        return metadata;
    };
    let made = made.to_zoned(jiff::tz::TimeZone::UTC);
    let part = |value: i8| value.unsigned_abs();
    metadata.creation_date(
        DateTime::new(made.year().unsigned_abs())
            .month(part(made.month()))
            .day(part(made.day()))
            .hour(part(made.hour()))
            .minute(part(made.minute()))
            .second(part(made.second()))
            .utc_offset_hour(0)
            .utc_offset_minute(0),
    )
}

#[cfg(test)]
mod tests {
    use super::super::paper::{Cell, Stand};
    use super::*;
    use krilla::configure::{Accessibility, ConfigurationBuilder};

    /// ISO 14289-1, as far as krilla checks it.
    #[test]
    fn the_tags_are_those_of_an_accessible_document() {
        let mut paper = Paper::new(Faces::new().expect("fonts"));
        paper.heading("cable", 1, 14.0, 0.0);
        paper.paragraph("some words", 9.0, Weight::Regular, 0.0);
        let columns = [("dB".to_owned(), 60.0, Stand::Right), ("is".to_owned(), 60.0, Stand::Left)];
        paper.table(&columns, &[vec![Cell::plain("0.2"), Cell::verdict("fail")]], 7.0);
        let figure =
            Role::Figure { says: "a line".into(), page: 0, frame: [50.0, 300.0, 90.0, 9.0] };
        paper.part(figure, |paper| {
            let points = vec![(50.0, 300.0), (90.0, 300.0)];
            paper.put(Item::Line { points, color: [0; 3], thick: 1.0, dash: None });
        });
        paper.bookmark("cable", false);
        let about = About { title: "cable".into(), made_unix_s: 0, plan_sha256: "1".into() };
        let standard = ConfigurationBuilder::new().with_accessibility_validator(Accessibility::UA1);
        let configuration = standard.finish().expect("one standard");
        let settings = SerializeSettings { configuration, ..SerializeSettings::default() };
        assert!(written(&paper, &about, settings).is_some());
    }
}
