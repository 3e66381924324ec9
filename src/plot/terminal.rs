//! A trace in a terminal, in dots of braille: eight to a letter.

use super::axes::{figure, grouped, tick_step, ticks};
use super::fitted;
use super::trace::shown_to_m;
use crate::event::{Analysis, Role};
use crate::trace::Trace;
use crate::units::LengthUnit;

/// Letters left of the dots, for the levels.
const MARGIN: usize = 7;
/// Rows of letters.
const ROWS: usize = 9;

/// Level against distance as lines of text no longer than `width` letters, from 20 on: dots, the
/// numbers of the events below their places (`·` where one stands too close to the one before, which is
/// said), and the distance. Both scales are marked at round figures; levels are in dB over the brightest
/// sample.
pub fn braille(trace: &Trace, analysis: &Analysis, unit: LengthUnit, width: usize) -> Vec<String> {
    let letters = width.max(20) - MARGIN - 1;
    let levels = trace.levels_db();
    let levels = levels.as_slice().unwrap_or_default();
    let top = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let shown_m = shown_to_m(trace, analysis).max(f64::MIN_POSITIVE);
    let columns = columns(trace, levels, shown_m, 2 * letters);
    let lowest = columns.iter().map(|c| c.0).fold(top, f64::min);
    let floor = analysis.noise.floor_db.map_or(lowest, |floor| (floor - 3.0).max(lowest));
    let low = floor.min(top - 5.0);
    let dots = 4 * ROWS;
    let row = |level: f64| {
        let share = ((top - level) / (top - low)).clamp(0.0, 1.0);
        ((share * (dots - 1) as f64).round() as usize).min(dots - 1)
    };
    let mut cells = vec![vec![0_u8; letters]; ROWS];
    for (x, (lowest, highest)) in columns.into_iter().enumerate() {
        for y in row(highest)..=row(lowest) {
            cells[y / 4][x / 2] |= DOTS[x % 2][y % 4];
        }
    }
    let (step, decimals) = tick_step(top - low, 4);
    let mut labels = vec![String::new(); ROWS];
    for level in ticks((low - top, 0.0), step) {
        labels[row(top + level) / 4] = figure(level, decimals);
    }
    let mut lines: Vec<String> = Vec::new();
    for (label, cells) in labels.iter().zip(&cells) {
        let dots: String = cells.iter().map(|bits| letter(*bits)).collect();
        let edge = if label.is_empty() { '│' } else { '┤' };
        lines.push(format!("{label:>5} {edge}{}", dots.trim_end_matches('\u{2800}')));
    }
    let (axis, below) = distances(shown_m, unit, letters);
    lines.push(format!("{:>5} └{axis}", "dB"));
    let numbers = numbers(analysis, shown_m, letters);
    lines.push(format!("{:MARGIN$}{}", "", numbers.trim_end()));
    lines.push(format!("{:MARGIN$}{}", "", below.trim_end()));
    let (crowded, told) = (numbers.contains('·'), "· an event too close to the one before");
    if crowded && MARGIN + told.chars().count() <= width {
        lines.push(format!("{:MARGIN$}{told}", ""));
    }
    lines
}

/// Bits of the dots of a letter, by column and row. Source: Unicode Standard, block Braille Patterns.
const DOTS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

fn letter(bits: u8) -> char {
    char::from_u32(0x2800 + u32::from(bits)).unwrap_or(' ')
}

/// Lowest and highest level in each column of dots.
fn columns(trace: &Trace, levels: &[f64], shown_m: f64, count: usize) -> Vec<(f64, f64)> {
    let last = levels.len().saturating_sub(1);
    let edge = |column: usize| fitted::sample_at(trace, shown_m * column as f64 / count as f64);
    (0..count)
        .map(|column| {
            let from = edge(column).min(last);
            let to = edge(column + 1).clamp(from + 1, levels.len().max(from + 1));
            let own = levels.get(from..to).unwrap_or_default();
            own.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), level| {
                (low.min(*level), high.max(*level))
            })
        })
        .filter(|(low, high)| low <= high)
        .collect()
}

/// The events' numbers below their places.
fn numbers(analysis: &Analysis, shown_m: f64, letters: usize) -> String {
    let mut line = vec![' '; letters];
    for event in analysis.events.iter().filter(|e| e.role != Role::Start) {
        let share = event.position_m.0 / shown_m;
        if !(0.0..=1.0).contains(&share) {
            continue;
        }
        let at = ((share * letters as f64) as usize).min(letters - 1);
        let text: Vec<char> = event.number.to_string().chars().collect();
        let from = at.min(letters - text.len().min(letters));
        let free =
            (from.saturating_sub(1)..(from + text.len() + 1).min(letters)).all(|i| line[i] == ' ');
        if free {
            line[from..from + text.len()].copy_from_slice(&text);
        } else if line[at] == ' ' {
            line[at] = '·';
        }
    }
    line.into_iter().collect()
}

/// Least letters from one distance to the next.
const APART: usize = 12;

/// The axis with its ticks, and round distances below them; the unit behind the last that has room for it.
fn distances(shown_m: f64, unit: LengthUnit, letters: usize) -> (String, String) {
    let shown = shown_m / unit.metres();
    let (step, decimals) = tick_step(shown, (letters / APART).max(1));
    let mut axis = vec!['─'; letters];
    let mut below = vec![' '; letters];
    let mut free = 0;
    for tick in ticks((0.0, shown), step) {
        let at = ((tick / shown * letters as f64) as usize).min(letters - 1);
        let text: Vec<char> = grouped(&figure(tick, decimals)).chars().collect();
        let from = at.saturating_sub(text.len() / 2);
        if from < free || from + text.len() > letters {
            continue;
        }
        axis[at] = '┬';
        below[from..from + text.len()].copy_from_slice(&text);
        free = from + text.len() + 1;
    }
    let name: Vec<char> = unit.to_string().chars().collect();
    if free + name.len() <= letters {
        below[free..free + name.len()].copy_from_slice(&name);
    }
    (axis.into_iter().collect(), below.into_iter().collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plot::made;

    /// The dots of a picture, row by row from above.
    fn dots(lines: &[String]) -> Vec<Vec<bool>> {
        let mut rows = vec![Vec::new(); 4 * ROWS];
        for (n, line) in lines.iter().take(ROWS).enumerate() {
            for letter in line.chars().skip(MARGIN) {
                let bits = u32::from(letter) - 0x2800;
                for column in DOTS {
                    for (y, bit) in column.iter().enumerate() {
                        rows[4 * n + y].push(bits & u32::from(*bit) != 0);
                    }
                }
            }
        }
        rows
    }

    #[test]
    fn a_step_of_half_the_range_is_a_step_of_half_the_rows() {
        // 0 dB to the middle, then -20 dB: the lowest level there is
        let levels: Vec<f64> = (0..2000).map(|m| if m < 1000 { 0.0 } else { -20.0 }).collect();
        let mut analysis = made::analysis(vec![made::joint(2, 1000.0, None)], 1999.0, 0.3);
        analysis.noise.floor_db = Some(-40.0);
        let lines = braille(&made::trace(&levels), &analysis, LengthUnit::M, 80);
        assert!(lines.iter().all(|line| line.chars().count() <= 80), "{lines:?}");
        let rows = dots(&lines);
        let first = |row: &[bool]| row.iter().position(|dot| *dot);
        assert_eq!(first(&rows[0]), Some(0));
        // 72 letters, 144 dots: the step lies at the 72nd, where the trace runs down
        let step = first(rows.last().unwrap()).unwrap();
        assert!((71..=73).contains(&step), "{step}");
        assert!(!rows[0].get(step + 2).copied().unwrap_or(false));
        // round figures: 0, -5 … dB; 0, 500 … m, the last with its unit
        assert!(lines[0].starts_with("    0 ┤") && lines[2].starts_with("   −5 ┤"), "{lines:?}");
        let below: Vec<&str> = lines[ROWS + 2].split_whitespace().collect();
        assert_eq!(below, ["0", "500", "1000", "1500", "m"], "{lines:?}");
        let number = lines[ROWS + 1].chars().position(|c| c == '2').unwrap();
        assert!((42..=44).contains(&number), "{lines:?}"); // 7 letters of margin and 36
    }

    #[test]
    fn any_width_and_any_number_of_events_stay_within_their_lines() {
        let levels: Vec<f64> = (0..3000).map(|m| -0.001 * f64::from(m)).collect();
        let joints = (2..120).map(|n| made::joint(n, 20.0 * n as f64, None)).collect();
        let analysis = made::analysis(joints, 2900.0, 1.0);
        for width in [0, 20, 21, 40, 80, 160] {
            for unit in [LengthUnit::M, LengthUnit::Mi] {
                let lines = braille(&made::trace(&levels), &analysis, unit, width);
                let told = lines.last().is_some_and(|line| line.contains("· an event too close"));
                assert_eq!((lines.len(), told), (ROWS + 3 + usize::from(told), width >= 45));
                assert!(
                    lines.iter().all(|line| line.chars().count() <= width.max(20)),
                    "{lines:?}"
                );
            }
        }
        let one = braille(&made::trace(&[-1.0]), &analysis, LengthUnit::M, 80);
        assert_eq!(one.len(), ROWS + 3);
    }
}
