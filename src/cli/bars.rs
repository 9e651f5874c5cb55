//! Progress bars on a terminal.

use crate::progress::Progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::{Mutex, PoisonError};

/// One bar at a time, on the standard error; gone when its step is over.
#[derive(Default)]
pub(super) struct Bars {
    bar: Mutex<Option<ProgressBar>>,
}

impl Bars {
    fn with(&self, act: impl FnOnce(&mut Option<ProgressBar>)) {
        act(&mut self.bar.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

impl Progress for Bars {
    fn begin(&self, what: &str, total: u64) {
        let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr_with_hz(10));
        if let Ok(style) = ProgressStyle::with_template("{msg:<24} {bar:40} {percent:>3} %") {
            bar.set_style(style);
        }
        bar.set_message(what.to_owned());
        self.with(|slot| *slot = Some(bar));
    }

    fn advance(&self, units: u64) {
        self.with(|slot| {
            if let Some(bar) = slot {
                bar.inc(units);
            }
        });
    }

    fn end(&self) {
        self.with(|slot| {
            if let Some(bar) = slot.take() {
                bar.finish_and_clear();
            }
        });
    }
}
