//! Words above a frame, each with a pointer down to its place, none over another.

use super::axes::SMALL;
use super::palette::Palette;
use super::sheet::{At, Sheet, Side, Stroke, width};

/// Height of one lane of words in points.
const LANE: f64 = 15.0;

/// Most lanes over a frame: more would leave no room for what they speak of.
const MOST_LANES: usize = 9;

/// Least room between words side by side: less would read as one line.
const GAP: f64 = 18.0;

/// What is to stand above a place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Label {
    /// The place it points to.
    pub at: At,
    /// All there is to say.
    pub full: String,
    /// What is said where that has no room.
    pub short: String,
}

/// Words and where they stand: `lane` 0 is the uppermost. `text` is blank where there was no room.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Placed {
    pub text: String,
    pub left: f64,
    pub lane: usize,
}

/// Labels in their lanes.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Lanes {
    pub placed: Vec<Placed>,
    pub count: usize,
}

impl Lanes {
    /// Places labels, which are in order from left to right, in as few lanes as hold all words; up to
    /// two lanes more are well spent where no pointer then crosses words.
    pub(super) fn place(labels: &[Label], left: f64, right: f64) -> Lanes {
        let whole = |count: usize, crossing: bool| {
            let placed = staircase(labels, left, right, count, crossing);
            let all = placed.iter().zip(labels).all(|(placed, label)| placed.text == label.full);
            all.then_some(Lanes { placed, count })
        };
        let least = (1..MOST_LANES).find_map(|count| whole(count, true));
        let spare = least.as_ref().map_or(0, |lanes| (lanes.count + 3).min(MOST_LANES));
        let apart = (1..spare).find_map(|count| whole(count, false));
        apart.or(least).unwrap_or_else(|| {
            let placed = staircase(labels, left, right, MOST_LANES, true);
            Lanes { placed, count: MOST_LANES }
        })
    }

    pub(super) fn height(&self) -> f64 {
        self.count as f64 * LANE
    }

    /// How many labels found no room at all.
    pub(super) fn left_out(&self) -> usize {
        self.placed.iter().filter(|placed| placed.text.is_empty()).count()
    }

    /// Draws the words below `top`, and the pointers.
    pub(super) fn draw(&self, sheet: &mut Sheet, labels: &[Label], top: f64, palette: &Palette) {
        let middle = |lane: usize| top + (lane as f64 + 0.5) * LANE;
        for (placed, label) in self.placed.iter().zip(labels) {
            let from =
                if placed.text.is_empty() { top + self.height() } else { middle(placed.lane) };
            let to = (label.at.1 - 9.0).max(from);
            sheet.line([(label.at.0, from), (label.at.0, to)], Stroke::new(palette.faint, 0.8));
        }
        // Over all pointers: words stay whole where one has to pass.
        for placed in self.placed.iter().filter(|placed| !placed.text.is_empty()) {
            let y = middle(placed.lane);
            let room = width(&placed.text, SMALL);
            let (a, b) = (placed.left - 1.0, placed.left + room + 1.0);
            sheet.block((a, y - LANE / 2.0 + 1.0), (b, y + LANE / 2.0 - 1.0), palette.ground);
            sheet.words(placed.text.clone(), (placed.left, y), SMALL, palette.ink, Side::Left);
        }
    }
}

/// Crowded labels step downwards from left to right, so that no pointer crosses words; where that
/// has no room and pointers may be `crossing` words any free lane is taken, then the short form, then none.
fn staircase(labels: &[Label], left: f64, right: f64, lanes: usize, crossing: bool) -> Vec<Placed> {
    let mut taken = vec![f64::NEG_INFINITY; lanes];
    let mut placed = Vec::with_capacity(labels.len());
    for label in labels {
        let tried = [&label.full, &label.short].into_iter().find_map(|text| {
            let room = width(text, SMALL) + GAP;
            let from = (label.at.0 - 3.0).min(right - room + GAP).max(left);
            let free = |lane: &usize| taken[*lane] <= from;
            // the uppermost lane below which all lanes are free
            let step = (0..lanes).rev().take_while(free).last();
            let lane = step.or_else(|| (0..lanes).find(free).filter(|_| crossing))?;
            Some((Placed { text: text.clone(), left: from, lane }, from + room))
        });
        match tried {
            Some((own, end)) => {
                taken[own.lane] = end;
                placed.push(own);
            }
            None => placed.push(Placed { text: String::new(), left: label.at.0, lane: lanes - 1 }),
        }
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn labels(places: &[f64]) -> Vec<Label> {
        let label = |(n, x): (usize, &f64)| Label {
            at: (*x, 200.0),
            full: format!("{n}: 0.596 ± 0.001 dB, R −52.0"),
            short: n.to_string(),
        };
        places.iter().enumerate().map(label).collect()
    }

    #[test]
    fn few_labels_share_one_lane_and_crowded_ones_step_down() {
        let far = labels(&[100.0, 400.0, 700.0]);
        assert_eq!(Lanes::place(&far, 0.0, 1000.0).count, 1);
        let near = Lanes::place(&labels(&[100.0, 110.0, 120.0]), 0.0, 1000.0);
        assert_eq!(near.placed.iter().map(|p| p.lane).collect::<Vec<_>>(), [0, 1, 2]);
    }

    #[test]
    fn a_lane_more_is_taken_before_a_pointer_crosses_words() {
        // the second has no room beside the first, the third none beside the second; it would find
        // some in the first lane, but its pointer would go through the words of the second
        let first = labels(&[100.0]);
        let room = width(&first[0].full, SMALL) + GAP;
        let third = labels(&[100.0, 100.0 + 0.9 * room, 100.0 + 1.1 * room]);
        let lanes = Lanes::place(&third, 0.0, 1000.0);
        assert_eq!(lanes.placed.iter().map(|p| p.lane).collect::<Vec<_>>(), [0, 1, 2]);
    }

    proptest! {
        #[test]
        fn no_words_lie_over_others_and_none_is_lost_uncounted(
            mut places in proptest::collection::vec(60.0..980.0_f64, 0..120)
        ) {
            places.sort_by(f64::total_cmp);
            let labels = labels(&places);
            let lanes = Lanes::place(&labels, 10.0, 990.0);
            let mut boxes: Vec<(usize, f64, f64)> = lanes
                .placed
                .iter()
                .filter(|p| !p.text.is_empty())
                .map(|p| (p.lane, p.left, p.left + width(&p.text, SMALL)))
                .collect();
            prop_assert_eq!(boxes.len() + lanes.left_out(), labels.len());
            boxes.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
            for pair in boxes.windows(2) {
                prop_assert!(pair[0].0 != pair[1].0 || pair[0].2 < pair[1].1, "{pair:?}");
            }
            prop_assert!(boxes.iter().all(|b| b.1 >= 10.0 && b.2 <= 990.0));
        }
    }
}
