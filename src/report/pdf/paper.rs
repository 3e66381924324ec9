//! Pages as lists of what stands on them, filled from top to bottom. Nothing here knows of PDF.
//!
//! Points of 1/72 inch, from the top left corner. Every text is cut or wrapped to the room it has.

use super::face::{Faces, Weight};

/// A4.
pub(super) const WIDTH: f32 = 595.28;
pub(super) const HEIGHT: f32 = 841.89;
/// Free of everything but the lines at the foot.
pub(super) const MARGIN: f32 = 42.0;
/// What one line of text or a row of a table has to its sides.
pub(super) const INSIDE: f32 = WIDTH - 2.0 * MARGIN;
const BOTTOM: f32 = HEIGHT - 56.0;

/// Red, green, blue.
pub(super) type Color = [u8; 3];

pub(super) const INK: Color = [38, 42, 48];
pub(super) const FAINT: Color = [200, 200, 200];
/// Behind headings of tables.
pub(super) const SHADE: Color = [238, 238, 236];

/// Something on a page.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Item {
    /// A line of text from its left end at its foot.
    Text { x: f32, y: f32, size: f32, weight: Weight, text: String },
    /// A filled rectangle.
    Area { x: f32, y: f32, width: f32, height: f32, color: Color },
    /// A line through points, with a dash where wanted.
    Line { points: Vec<(f32, f32)>, color: Color, thick: f32, dash: Option<f32> },
}

/// What a part of the document is to a program that reads it aloud.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Role {
    /// A heading: its level from 1, and its words.
    Heading(u16, String),
    Paragraph,
    /// Rows of cells.
    Table,
    Row,
    /// The cell at the head of a column.
    Head,
    Cell,
    /// A picture: what to say of it, its page, and its upper left corner, width and height.
    Figure {
        says: String,
        page: usize,
        frame: [f32; 4],
    },
}

/// A part of the document, in the order of reading.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Part {
    pub role: Role,
    /// The part around it, by its number.
    pub inside: Option<usize>,
}

/// What stands on a page, each with the part it belongs to. `None`: what only looks so, such as lines,
/// and what every page repeats; nobody reads that aloud.
pub(super) type Page = Vec<(Option<usize>, Item)>;

/// A place that the reader's program lists.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bookmark {
    pub title: String,
    pub page: usize,
    pub y: f32,
    /// Whether it belongs to the one before that does not.
    pub inner: bool,
}

/// How a column's cells stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stand {
    Left,
    Right,
    /// Left, wrapped.
    Wrapped,
}

/// A column: heading, width in points, how it stands.
pub(super) type Column = (String, f32, Stand);

/// A cell: its text, its weight, the colour behind it, whether a mark stands before its word.
#[derive(Clone, Debug)]
pub(super) struct Cell {
    pub text: String,
    pub weight: Weight,
    pub behind: Option<Color>,
    pub marked: bool,
}

impl Cell {
    pub(super) fn plain(text: impl Into<String>) -> Cell {
        Cell { text: text.into(), weight: Weight::Regular, behind: None, marked: false }
    }

    /// A verdict's word with its mark.
    pub(super) fn verdict(word: &str) -> Cell {
        let weight = if word == "fail" { Weight::Bold } else { Weight::Regular };
        Cell { text: word.to_owned(), weight, behind: tint(word), marked: !word.is_empty() }
    }
}

/// What lies behind a verdict: shades that keep apart in grey as well.
fn tint(word: &str) -> Option<Color> {
    match word {
        "fail" | "unreadable" => Some([243, 205, 187]),
        "undecided" => Some([248, 240, 208]),
        "missing" | "incomplete" => Some([222, 222, 222]),
        _ => None,
    }
}

/// All pages so far, and where the next thing goes.
pub(super) struct Paper {
    pub faces: Faces,
    pub pages: Vec<Page>,
    pub parts: Vec<Part>,
    pub bookmarks: Vec<Bookmark>,
    pub y: f32,
    /// The part that is being written. `None`: each text is a paragraph of its own.
    open: Option<usize>,
    /// Whether what is written belongs to no part.
    aside: bool,
}

impl Paper {
    pub(super) fn new(faces: Faces) -> Paper {
        Paper {
            faces,
            pages: vec![Vec::new()],
            parts: Vec::new(),
            bookmarks: Vec::new(),
            y: MARGIN,
            open: None,
            aside: false,
        }
    }

    /// Writes what belongs together as one part.
    pub(super) fn part(&mut self, role: Role, write: impl FnOnce(&mut Paper)) {
        if self.aside {
            return write(self);
        }
        let around = self.open;
        self.parts.push(Part { role, inside: around });
        self.open = Some(self.parts.len() - 1);
        write(self);
        self.open = around;
    }

    /// Writes what stands on a page again and again, or only looks so: it is of no part.
    pub(super) fn aside(&mut self, write: impl FnOnce(&mut Paper)) {
        let before = std::mem::replace(&mut self.aside, true);
        write(self);
        self.aside = before;
    }

    pub(super) fn put(&mut self, item: Item) {
        let is_text = matches!(item, Item::Text { .. });
        if is_text && self.open.is_none() && !self.aside {
            return self.part(Role::Paragraph, |paper| paper.put(item));
        }
        let reads = |n: &usize| is_text || matches!(self.parts[*n].role, Role::Figure { .. });
        let part = self.open.filter(reads).filter(|_| !self.aside);
        if let Some(page) = self.pages.last_mut() {
            page.push((part, item));
        }
    }

    pub(super) fn new_page(&mut self) {
        self.pages.push(Vec::new());
        self.y = MARGIN;
    }

    /// Room below on this page.
    pub(super) fn room(&self) -> f32 {
        BOTTOM - self.y
    }

    /// Goes to a new page where `height` does not fit below.
    pub(super) fn need(&mut self, height: f32) {
        if self.room() < height && self.y > MARGIN {
            self.new_page();
        }
    }

    pub(super) fn bookmark(&mut self, title: &str, inner: bool) {
        let title = self.faces.shown(title);
        self.bookmarks.push(Bookmark { title, page: self.pages.len() - 1, y: self.y, inner });
    }

    /// A line of text at a place, cut to its room.
    pub(super) fn text(
        &mut self,
        at: (f32, f32),
        room: f32,
        size: f32,
        weight: Weight,
        text: &str,
    ) {
        let text = self.faces.shown(text);
        let text = self.faces.cut(&text, size, weight, room);
        if !text.is_empty() {
            self.put(Item::Text { x: at.0, y: at.1, size, weight, text });
        }
    }

    /// A line of text that ends at `at`, or has its middle there, `share` of its width before it.
    pub(super) fn text_before(&mut self, at: (f32, f32), share: f32, size: f32, text: &str) {
        let text = self.faces.shown(text);
        let width = self.faces.width(&text, size, Weight::Regular);
        self.text((at.0 - share * width, at.1), width + 1.0, size, Weight::Regular, &text);
    }

    /// A heading of a level from 1, kept together with `below` points of what follows.
    pub(super) fn heading(&mut self, text: &str, level: u16, size: f32, below: f32) {
        self.need(size + 14.0 + below);
        self.y += size + 8.0;
        let at = (MARGIN, self.y);
        self.part(Role::Heading(level, self.faces.shown(text)), |paper| {
            paper.text(at, INSIDE, size, Weight::Bold, text);
        });
        self.y += 6.0;
    }

    /// Lines of text over the page's width, `indent` from the left.
    pub(super) fn paragraph(&mut self, text: &str, size: f32, weight: Weight, indent: f32) {
        let text = self.faces.shown(text);
        self.part(Role::Paragraph, |paper| {
            for line in paper.faces.wrap(&text, size, weight, INSIDE - indent) {
                paper.need(1.35 * size);
                paper.y += 1.35 * size;
                // The blank at its end keeps the words of two lines apart where they are read aloud.
                let (x, y, text) = (MARGIN + indent, paper.y, line + " ");
                paper.put(Item::Text { x, y, size, weight, text });
            }
        });
        self.y += 0.4 * size;
    }

    /// A table from the left margin; its heading stands again on each page it reaches.
    pub(super) fn table(&mut self, columns: &[Column], rows: &[Vec<Cell>], size: f32) {
        self.part(Role::Table, |paper| {
            let mut headed = false;
            for row in rows {
                let lines = columns.iter().zip(row).map(|((_, width, stand), cell)| {
                    paper.lines_of(cell, *width, *stand, size).len()
                });
                let height = 1.45 * size * lines.max().unwrap_or(1).max(1) as f32;
                if !headed {
                    paper.need(height + 2.0 * size);
                    paper.head(columns, size);
                } else if paper.room() < height {
                    paper.need(height + 2.0 * size);
                    paper.aside(|paper| paper.head(columns, size));
                }
                headed = true;
                paper.part(Role::Row, |paper| paper.row(columns, row, size, height));
            }
        });
        self.y += size;
    }

    fn head(&mut self, columns: &[Column], size: f32) {
        let height = 1.6 * size;
        let width = columns.iter().map(|c| c.1).sum();
        let y = self.y;
        self.put(Item::Area { x: MARGIN, y, width, height, color: SHADE });
        self.part(Role::Row, |paper| {
            let mut x = MARGIN;
            for (title, width, stand) in columns {
                let cell = Cell { weight: Weight::Bold, ..Cell::plain(title.as_str()) };
                let stand = if *stand == Stand::Right { Stand::Right } else { Stand::Left };
                paper.part(Role::Head, |paper| paper.cell((x, y), &cell, *width, stand, size));
                x += width;
            }
        });
        self.y += height;
    }

    fn row(&mut self, columns: &[Column], row: &[Cell], size: f32, height: f32) {
        let (mut x, y) = (MARGIN, self.y);
        for ((_, width, stand), cell) in columns.iter().zip(row) {
            if let Some(color) = cell.behind {
                self.put(Item::Area { x, y, width: width - 1.0, height: height - 0.6, color });
            }
            self.part(Role::Cell, |paper| paper.cell((x, y), cell, *width, *stand, size));
            x += width;
        }
        self.y += height;
        let points = vec![(MARGIN, self.y - 0.3), (x, self.y - 0.3)];
        self.put(Item::Line { points, color: FAINT, thick: 0.3, dash: None });
    }

    /// A cell's lines, each as wide as its room at most.
    fn lines_of(&self, cell: &Cell, width: f32, stand: Stand, size: f32) -> Vec<String> {
        let text = self.faces.shown(&cell.text);
        let room =
            width - PADDING - behind(stand) - if cell.marked { MARK_ROOM * size } else { 0.0 };
        match stand {
            Stand::Wrapped => self.faces.wrap(&text, size, cell.weight, room),
            Stand::Left | Stand::Right => vec![self.faces.cut(&text, size, cell.weight, room)],
        }
    }

    fn cell(&mut self, at: (f32, f32), cell: &Cell, width: f32, stand: Stand, size: f32) {
        let mut x = at.0 + PADDING;
        if cell.marked {
            self.mark((x, at.1 + 0.37 * size), size, &cell.text);
            x += MARK_ROOM * size;
        }
        let weight = cell.weight;
        let lines = self.lines_of(cell, width, stand, size);
        let last = lines.len().max(1) - 1;
        for (n, mut text) in lines.into_iter().enumerate() {
            let own = self.faces.width(&text, size, weight);
            let from = if stand == Stand::Right { at.0 + width - behind(stand) - own } else { x };
            let y = at.1 + size * (1.1 + 1.45 * n as f32);
            if n < last {
                text.push(' '); // see `paragraph`
            }
            // A blank one too: each row has as many cells as the table has columns.
            self.put(Item::Text { x: from, y, size, weight, text });
        }
    }

    /// The mark before a verdict's word, from its upper left corner, as tall as `size`.
    fn mark(&mut self, at: (f32, f32), size: f32, word: &str) {
        let scale = MARK_WIDTH * size / 28.0;
        for stroke in strokes(word) {
            let points = stroke.iter().map(|(x, y)| (at.0 + scale * x, at.1 + scale * y)).collect();
            self.put(Item::Line { points, color: INK, thick: 1.6 * scale, dash: None });
        }
    }
}

/// Width of a mark, and of it with the blank behind, for each point of its text's size.
const MARK_WIDTH: f32 = 1.7;
const MARK_ROOM: f32 = 2.1;

/// Lines of a mark, in a field of 28 × 12: the same as on the page for a browser. A whole strand passes,
/// a broken one fails, a wave is undecided, a gap is missing.
fn strokes(word: &str) -> &'static [&'static [(f32, f32)]] {
    const WAVE: &[(f32, f32)] = &[
        (1.0, 6.0),
        (2.6, 3.4),
        (4.25, 2.5),
        (5.9, 3.4),
        (9.1, 8.6),
        (10.75, 9.5),
        (12.4, 8.6),
        (15.6, 3.4),
        (17.25, 2.5),
        (18.9, 3.4),
        (22.1, 8.6),
        (23.75, 9.5),
        (25.4, 8.6),
        (27.0, 6.0),
    ];
    match word {
        "pass" => &[&[(1.0, 6.0), (27.0, 6.0)]],
        "fail" => {
            &[&[(1.0, 3.5), (11.0, 3.5)], &[(17.0, 8.5), (27.0, 8.5)], &[(11.5, 10.5), (16.5, 1.5)]]
        }
        "undecided" => &[WAVE],
        "incomplete" => &[
            &[(1.0, 6.0), (13.0, 6.0)],
            &[(23.0, 6.0), (27.0, 6.0)],
            &[(13.0, 3.0), (13.0, 9.0)],
            &[(23.0, 3.0), (23.0, 9.0)],
        ],
        _ => &[
            &[(1.0, 6.0), (5.0, 6.0)],
            &[(23.0, 6.0), (27.0, 6.0)],
            &[(5.0, 3.0), (5.0, 9.0)],
            &[(23.0, 3.0), (23.0, 9.0)],
        ],
    }
}

/// Between a cell's edge and its text.
const PADDING: f32 = 2.0;

/// Behind a cell's text: figures keep their distance from the words of the next column.
fn behind(stand: Stand) -> f32 {
    if stand == Stand::Right { 2.0 * PADDING } else { PADDING }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(paper: &Paper) -> Vec<(usize, f32, f32, f32, String)> {
        let of = |(n, page): (usize, &Page)| {
            let texts = page.iter().filter_map(|(_, item)| match item {
                Item::Text { x, y, size, weight, text } => {
                    let text = text.trim_end();
                    let width = paper.faces.width(text, *size, *weight);
                    Some((n, *x, *x + width, *y, text.to_owned()))
                }
                _ => None,
            });
            texts.collect::<Vec<_>>()
        };
        paper.pages.iter().enumerate().flat_map(of).collect()
    }

    #[test]
    fn a_table_keeps_every_text_inside_its_column_and_heads_each_page() {
        let mut paper = Paper::new(Faces::new().expect("fonts"));
        let columns = [
            ("a heading without room".to_owned(), 30.0, Stand::Left),
            ("figures".to_owned(), 40.0, Stand::Right),
            ("words".to_owned(), 90.0, Stand::Wrapped),
        ];
        let row = |n: usize| {
            let long = "W".repeat(200);
            vec![
                Cell::verdict("undecided"),
                Cell::plain(format!("{n}: {long}")),
                Cell::plain(format!("some words that wrap, and {long}")),
            ]
        };
        let rows: Vec<Vec<Cell>> = (0..90).map(row).collect();
        paper.table(&columns, &rows, 7.0);
        assert!(paper.pages.len() > 2);
        let edges = [MARGIN, MARGIN + 30.0, MARGIN + 70.0, MARGIN + 160.0];
        for (page, from, to, y, text) in texts(&paper) {
            let inside = edges.windows(2).any(|edge| from >= edge[0] && to <= edge[1] + 1e-2);
            assert!(inside, "page {page}: {text} from {from} to {to}");
            assert!(y > MARGIN && y <= BOTTOM, "page {page}: {text} at {y}");
        }
        for page in 0..paper.pages.len() {
            let heads = texts(&paper).iter().filter(|t| t.0 == page && t.4 == "words").count();
            assert_eq!(heads, 1, "page {page}");
        }
    }

    #[test]
    fn a_table_over_pages_is_one_table_with_one_head_and_as_many_cells_in_each_row() {
        let mut paper = Paper::new(Faces::new().expect("fonts"));
        let columns =
            [("what".to_owned(), 80.0, Stand::Left), ("dB".to_owned(), 40.0, Stand::Right)];
        let rows: Vec<Vec<Cell>> =
            (0..200).map(|n| vec![Cell::plain(n.to_string()), Cell::plain("")]).collect();
        paper.heading("losses", 2, 9.0, 0.0);
        paper.table(&columns, &rows, 7.0);
        assert!(paper.pages.len() > 2);
        let count = |role: &Role| paper.parts.iter().filter(|part| part.role == *role).count();
        let heading = Role::Heading(2, "losses".into());
        let counts = [heading, Role::Table, Role::Row, Role::Head, Role::Cell];
        assert_eq!(counts.map(|role| count(&role)), [1, 1, 201, 2, 400]);
        // each cell is there to be read, and stands in a row of the table
        for (n, part) in paper.parts.iter().enumerate().filter(|(_, part)| part.role == Role::Cell)
        {
            let row = &paper.parts[part.inside.expect("a row")];
            assert_eq!((&row.role, row.inside), (&Role::Row, Some(1)));
            assert!(paper.pages.iter().flatten().any(|(of, _)| *of == Some(n)), "cell {n}");
        }
    }

    #[test]
    fn a_paragraph_goes_on_on_the_next_page() {
        let mut paper = Paper::new(Faces::new().expect("fonts"));
        paper.paragraph(&"words and more words ".repeat(2000), 9.0, Weight::Regular, 12.0);
        assert!(paper.pages.len() > 1);
        for (page, from, to, y, text) in texts(&paper) {
            assert!(from >= MARGIN && to <= WIDTH - MARGIN, "page {page}: {text}");
            assert!(y > MARGIN && y <= BOTTOM, "page {page}: {text} at {y}");
        }
    }
}
