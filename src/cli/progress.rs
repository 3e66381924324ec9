//! How far a long run has come, for whoever waits at a terminal.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Shorter runs show nothing: a bar that flashes tells nobody anything.
const SHOWN_AFTER: Duration = Duration::from_millis(500);

/// A bar on stderr that appears after half a second, and only where stderr is a terminal.
pub(crate) struct Progress(ProgressBar);

impl Progress {
    /// A bar over `traces` traces, not shown yet.
    pub(crate) fn new(traces: usize) -> Progress {
        let bar = ProgressBar::with_draw_target(Some(traces as u64), ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template("{pos} of {len} traces {wide_bar} {eta}") {
            bar.set_style(style);
        }
        Progress(bar)
    }

    /// One more is done.
    pub(crate) fn step(&self) {
        if self.0.is_hidden() && self.0.elapsed() >= SHOWN_AFTER {
            // indicatif itself stays silent where stderr is no terminal
            self.0.set_draw_target(ProgressDrawTarget::stderr());
        }
        self.0.inc(1);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}
