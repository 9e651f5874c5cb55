//! The take against the song's grid: offsets, feel, report, and triggers pulled towards the grid.

pub mod stats;
