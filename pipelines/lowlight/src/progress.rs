//! What goes to stderr: one line an event, and on a terminal a bar a clip.

use std::collections::HashMap;
use std::io::{IsTerminal, Write, stderr};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};

/// Characters of a clip's name that a bar shows.
const NAME_WIDTH: usize = 28;
/// How often a bar is drawn anew, so that it is seen to live.
const REDRAW: Duration = Duration::from_millis(250);

/// Lines and bars on stderr.
#[derive(Debug)]
pub struct Talk {
    bars: MultiProgress,
    total: Option<ProgressBar>,
    running: HashMap<usize, ProgressBar>,
}

impl Talk {
    /// Talk about `clips` that are to be measured.
    #[must_use]
    pub fn new(clips: usize) -> Self {
        let bars = MultiProgress::new();
        let total = (clips > 1 && stderr().is_terminal()).then(|| {
            let style = style("{msg:28} {wide_bar} {pos:>4}/{len:4} {elapsed:>6}");
            let bar = bars.add(ProgressBar::new(clips as u64).with_style(style).with_message("clips"));
            bar.enable_steady_tick(REDRAW);
            bar
        });
        Self { bars, total, running: HashMap::new() }
    }

    /// One line, above the bars.
    pub fn line(&self, text: &str) {
        self.bars.suspend(|| {
            // Nobody is left to tell when stderr is closed.
            let _ = writeln!(stderr(), "{text}");
        });
    }

    /// Clip `index` is `position` nanoseconds on, of `duration`.
    pub fn moved(
        &mut self,
        index: usize,
        name: &str,
        frames: u64,
        position: Option<u64>,
        duration: Option<u64>,
    ) {
        if !stderr().is_terminal() {
            return;
        }
        let bars = &self.bars;
        let bar = self.running.entry(index).or_insert_with(|| {
            let name: String = name.chars().take(NAME_WIDTH).collect();
            bars.insert(0, ProgressBar::new(0).with_style(style("{prefix:28} {wide_bar} {msg:>16}")))
                .with_prefix(name)
        });
        bar.set_length(duration.unwrap_or(0));
        bar.set_position(position.unwrap_or(0));
        bar.set_message(format!("{frames} frames"));
    }

    /// Clip `index` is over.
    pub fn over(&mut self, index: usize) {
        if let Some(bar) = self.running.remove(&index) {
            bar.finish_and_clear();
            self.bars.remove(&bar);
        }
        if let Some(total) = &self.total {
            total.inc(1);
        }
    }

    /// Takes all bars away.
    pub fn end(&mut self) {
        for (_, bar) in self.running.drain() {
            bar.finish_and_clear();
        }
        if let Some(total) = self.total.take() {
            total.finish_and_clear();
        }
    }
}

/// The templates are fixed texts; one that did not parse would fall back to the plain bar.
fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template)
        .unwrap_or_else(|_| ProgressStyle::default_bar())
        .progress_chars("━━╌")
}
