//! Attenuations written beside the lines of their sections: along the line where that has room, else
//! upright, else not at all and counted.

use super::axes::{self, Frame, SMALL};
use super::fitted::Fitted;
use super::palette::Palette;
use super::sheet::{At, Sheet, Side, Stroke, width};
use crate::grade::Verdict;

/// A section: its line in dB over metres, and what became of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Slope<'a> {
    pub line: &'a Fitted,
    pub verdict: Option<Verdict>,
}

/// What the words must not lie over: the trace, in the frame's own values, and metres in its unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground<'a> {
    pub frame: &'a Frame,
    pub points: &'a [(f64, f64)],
    pub unit_m: f64,
}

/// Words and their middle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Written {
    text: String,
    at: At,
    upright: bool,
}

/// Between the trace and the words' edge.
const AWAY: f64 = 4.0;
/// From a line to the edge of its frame.
const FRAME: f64 = 6.0;
/// Height of the words, and what they need beside them.
const LETTER: f64 = 13.0;
const BESIDE: f64 = 6.0;

/// Where a section's attenuation stands. `None`: nowhere, or its line is not in the frame.
pub(super) fn placed(slope: &Slope<'_>, ground: &Ground<'_>) -> Option<Written> {
    let [a, b] = ends(slope.line, ground)?;
    let figure = axes::measured(slope.line.attenuation_db_per_km, 3);
    let verdict = slope.verdict.map_or(String::new(), |verdict| format!(", {}", verdict.word()));
    // Words stand outside of the frame that a section has which is not a pass.
    let framed = !matches!(slope.verdict, None | Some(Verdict::Pass));
    let away = if framed { AWAY + FRAME } else { AWAY };
    let (full, short) = (format!("{figure} dB/km{verdict}"), format!("{figure}{verdict}"));
    let along = [&full, &short].into_iter().find_map(|text| {
        let room = width(text, SMALL);
        let fits = b.0 - a.0 >= room + 2.0 * BESIDE;
        let at = fits.then(|| beside(ground, (a, b), (room, LETTER), away))??;
        Some(Written { text: text.clone(), at, upright: false })
    });
    along.or_else(|| {
        let fits = b.0 - a.0 >= LETTER + BESIDE;
        let at = fits.then(|| beside(ground, (a, b), (LETTER, width(&short, SMALL)), away))??;
        Some(Written { text: short, at, upright: true })
    })
}

fn ends(line: &Fitted, ground: &Ground<'_>) -> Option<[At; 2]> {
    let own = |m: f64| (m / ground.unit_m, line.level_at(m));
    ground.frame.clipped(own(line.from_m), own(line.to_m))
}

/// The middle of a field of a width and height above the line and the trace, else below both.
fn beside(
    ground: &Ground<'_>,
    (a, b): (At, At),
    (wide, high): (f64, f64),
    away: f64,
) -> Option<At> {
    let (frame, x) = (ground.frame, (a.0 + b.0) / 2.0);
    let on_line = |x: f64| a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0).max(1e-9);
    let (left, right) = (x - wide / 2.0, x + wide / 2.0);
    let (from, to) = (frame.value(left), frame.value(right));
    let inside = ground.points.iter().filter(|p| (from..=to).contains(&p.0));
    let levels = inside.map(|p| frame.py(p.1)).chain([on_line(left), on_line(right)]);
    let (top, bottom) =
        levels.fold((f64::INFINITY, f64::NEG_INFINITY), |(t, b), y| (t.min(y), b.max(y)));
    let (above, below) = (top - away - high / 2.0, bottom + away + high / 2.0);
    if above - high / 2.0 > frame.top + 2.0 {
        return Some((x, above));
    }
    (below + high / 2.0 < frame.bottom - 2.0).then_some((x, below))
}

/// A section's line, framed where it is not a pass, and its words.
pub(super) fn draw(
    sheet: &mut Sheet,
    slope: &Slope<'_>,
    ground: &Ground<'_>,
    (fit, frame): (Stroke, Option<Stroke>),
    palette: &Palette,
) {
    let Some([a, b]) = ends(slope.line, ground) else { return };
    sheet.line([a, b], fit);
    if let Some(stroke) = frame {
        let (up, down) = (|p: At| (p.0, p.1 - FRAME), |p: At| (p.0, p.1 + FRAME));
        sheet.line([up(a), up(b), down(b), down(a), up(a)], stroke);
    }
    match placed(slope, ground) {
        Some(Written { text, at, upright: true }) => sheet.upright(text, at, SMALL, palette.fit),
        Some(Written { text, at, upright: false }) => {
            sheet.words(text, at, SMALL, palette.fit, Side::Middle);
        }
        None => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measured;

    const FIELD: Frame = Frame {
        left: 0.0,
        right: 1000.0,
        top: 0.0,
        bottom: 400.0,
        x: (0.0, 1000.0), // a metre a point
        y: (-40.0, 0.0),  // a dB ten points
    };

    fn words(wide: f64, level_db: f64, points: &[(f64, f64)]) -> Option<Written> {
        judged(Verdict::Pass, wide, level_db, points)
    }

    fn judged(
        verdict: Verdict,
        wide: f64,
        level_db: f64,
        points: &[(f64, f64)],
    ) -> Option<Written> {
        let attenuation_db_per_km = Measured::new(0.2, 0.001);
        let line = Fitted {
            from_m: 400.0,
            to_m: 400.0 + wide,
            section: 0,
            level_db,
            attenuation_db_per_km,
        };
        let slope = Slope { line: &line, verdict: Some(verdict) };
        placed(&slope, &Ground { frame: &FIELD, points, unit_m: 1.0 })
    }

    #[test]
    fn the_narrower_a_section_the_shorter_its_words_and_then_they_stand_upright() {
        let text = |wide: f64| words(wide, -20.0, &[]).map(|w| (w.text, w.upright));
        let short = "0.200 ± 0.001, pass".to_owned();
        assert_eq!(text(300.0), Some(("0.200 ± 0.001 dB/km, pass".to_owned(), false)));
        assert_eq!(text(140.0), Some((short.clone(), false)));
        assert_eq!(text(30.0), Some((short, true)));
        assert_eq!(text(10.0), None);
    }

    #[test]
    fn words_stand_above_line_and_trace_and_below_where_that_has_no_room() {
        // 200 points from above; the trace rises by 5 dB, which is 50
        let over = words(300.0, -20.0, &[(550.0, -15.0)]).expect("room");
        assert!(over.at.1 + LETTER / 2.0 < 150.0, "{over:?}");
        let fails = judged(Verdict::Fail, 300.0, -20.0, &[]).expect("room");
        assert!(fails.at.1 + LETTER / 2.0 <= 201.0 - FRAME - AWAY, "{fails:?}");
        let under = words(30.0, -3.0, &[(415.0, -5.0)]).expect("room");
        let half = width(&under.text, SMALL) / 2.0;
        assert!(under.at.1 - half > 50.0 && under.at.1 + half < 400.0, "{under:?}");
    }
}
