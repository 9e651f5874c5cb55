//! Pictures and the one-file report; renders what other rooms computed, computes nothing itself.
//!
//! In: hit lists, evidence, findings and the values of other rooms. Out: [`Picture`]s (SVG, PNG on request) and
//! one self-contained HTML file. Rooms that have something to show draw with [`Frame`] and the shared marks and
//! colours, so that a drum looks the same everywhere.

mod chart;
mod drums;
mod hits;
mod look;
mod page;
mod paint;
mod phase;
mod picture;
mod summary;
mod timing;
mod timing_page;

pub use chart::{Cell, Column, Frame, clock, gathered, matrix, short, ticks};
pub use drums::{WIDTH, near, offsets, overview, velocity};
pub use hits::hits_report;
pub use look::{HEAD, Ink, SMALL, TEXT, dash_of};
pub use page::{Report, Section, Table};
pub use paint::text_width;
pub use phase::{layer_gains, phase_matrix, phase_sum};
pub use picture::{Align, Dash, Picture, escape};
pub use summary::{DrumSummary, KINDS, busiest, is_doubtful};
pub use timing::timing_pictures;
pub use timing_page::{timing_report, timing_sections};
