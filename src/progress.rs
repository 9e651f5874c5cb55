//! How long work tells that it is getting on, without knowing whether anybody watches.

/// Somebody who is told about progress. The command line draws bars; tests and scripts use [`Quiet`].
pub trait Progress: Sync {
    /// A step begins that will take `total` units (bytes, frames, files).
    fn begin(&self, what: &str, total: u64);
    /// So many more units are done.
    fn advance(&self, units: u64);
    /// The step is over.
    fn end(&self);
}

/// Says nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Quiet;

impl Progress for Quiet {
    fn begin(&self, _what: &str, _total: u64) {}
    fn advance(&self, _units: u64) {}
    fn end(&self) {}
}
