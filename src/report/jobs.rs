//! Several jobs, a line each, and the worklist of one.

use serde::Serialize;

use super::table::{self, Align, Column};
use super::{CAUTION, data, escape};
use crate::job::{self, Review, Station, Task};
use crate::plan::Plan;

/// How far a job has come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct JobLine {
    /// The job's name in its plan, else its folder.
    pub name: String,
    /// The cable.
    pub cable: String,
    /// Measurements that the plan asks for.
    pub planned: usize,
    /// Of those, passed.
    pub passed: usize,
    /// Of those, failed.
    pub failed: usize,
    /// Of those, neither: missing or undecided.
    pub open: usize,
    /// Whether there is nothing to object to.
    pub clean: bool,
    /// When the last one that counts was taken, as its file says. `None`: no file says.
    pub last_measured_at: Option<String>,
    /// Who measured, in order of the alphabet.
    pub operators: Vec<String>,
}

impl JobLine {
    /// The line of a reviewed job; `folder` names it where its plan does not.
    pub fn of(review: &Review, plan: &Plan, folder: &str) -> JobLine {
        let counting = || {
            let tests = review.rows.iter().filter(|row| row.counts).filter_map(|row| row.test);
            tests.filter_map(|test| review.tests[test].read())
        };
        let mut operators: Vec<String> =
            counting().map(|c| c.operator.clone()).filter(|o| !o.is_empty()).collect();
        operators.sort();
        operators.dedup();
        let last = counting().filter_map(|c| c.measured_at_unix_s).max();
        let c = review.counts;
        JobLine {
            name: if plan.job.name.is_empty() { folder.to_owned() } else { plan.job.name.clone() },
            cable: plan.cable.id.clone(),
            planned: c.planned,
            passed: c.passed,
            failed: c.failed,
            open: c.planned.saturating_sub(c.passed + c.failed),
            clean: review.is_clean(),
            last_measured_at: last.and_then(data::utc),
            operators,
        }
    }
}

const COLUMNS: [Column; 8] = [
    ("job", Align::Left),
    ("cable", Align::Left),
    ("planned", Align::Right),
    ("passed", Align::Right),
    ("failed", Align::Right),
    ("open", Align::Right),
    ("last measured", Align::Left),
    ("by", Align::Left),
];

/// Jobs for people, a line each.
pub fn lines(jobs: &[JobLine], width: usize) -> Vec<String> {
    let rows: Vec<Vec<String>> = jobs
        .iter()
        .map(|job| {
            let day = job.last_measured_at.as_deref().and_then(|at| at.split('T').next());
            vec![
                escape::terminal(&job.name),
                escape::terminal(&job.cable),
                job.planned.to_string(),
                job.passed.to_string(),
                job.failed.to_string(),
                job.open.to_string(),
                day.unwrap_or("–").to_owned(),
                escape::terminal(&job.operators.join(", ")),
            ]
        })
        .collect();
    table::lines(&COLUMNS, &rows, width)
}

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    caution: &'static str,
    jobs: &'a [JobLine],
}

/// Jobs for programs: the document `strandline.jobs/1`.
///
/// # Errors
/// Never in practice: the document has no keys that JSON could not hold.
pub fn json(jobs: &[JobLine]) -> Result<String, serde_json::Error> {
    let document = Document { schema: "strandline.jobs/1", caution: CAUTION, jobs };
    Ok(escape::json(serde_json::to_string_pretty(&document)?) + "\n")
}

/// The worklist of a job for people, place by place from end a to end b.
pub fn todo(review: &Review, plan: &Plan, width: usize) -> Vec<String> {
    let tasks = job::todo(review, plan);
    let head = format!(
        "{}: {} of {} measured, {} passed, {} undecided, {} to do",
        escape::terminal(&plan.cable.id),
        review.counts.measured,
        review.counts.planned,
        review.counts.passed,
        review.counts.undecided,
        tasks.len()
    );
    let mut out = table::wrap(&head, width);
    let mut last = None;
    for task in &tasks {
        let heading = station(task, plan);
        if last.as_ref() != Some(&heading) {
            out.push(format!("  {heading}"));
            last = Some(heading);
        }
        let fiber = task.fiber.map_or("job".to_owned(), |n| {
            format!("fibre {n} ({})", plan.cable.colors.name(n, &plan.cable.fibers))
        });
        let text = format!("{fiber}: {}", escape::terminal(&task.does));
        out.extend(
            table::hung(&text, width.saturating_sub(2)).into_iter().map(|line| format!("  {line}")),
        );
    }
    out
}

/// Where to stand for a task: `at NORTH SLIP (end a)`, `at C2, 3021 m from end a`.
pub(super) fn station(task: &Task, plan: &Plan) -> String {
    let named = |end: usize, word: &str| match plan.cable.ends[end].trim() {
        "" => format!("at {word}"),
        name => format!("at {} ({word})", escape::terminal(name)),
    };
    match task.station {
        Station::EndA => named(0, "end a"),
        Station::EndB => named(1, "end b"),
        Station::Along(m) if task.place.is_empty() => format!("{m} m from end a"),
        Station::Along(m) => format!("at {}, {m} m from end a", escape::terminal(&task.place)),
    }
}
