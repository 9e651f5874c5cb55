//! The verified delivery: checks, names, padding, folders, documents, zip.
//!
//! In: the song, its printed layers, its hit list and other documents. Out: one zip that was read back and compared
//! entry by entry, with a manifest by which the receiver can do the same ([`verify`]); and, from the second delivery on,
//! what changed ([`Changes`]).

mod bundle;
mod check;
mod convert;
mod deliver;
mod depth;
mod fault;
mod fresh;
mod manifest;
mod midi;
mod mixed;
pub mod name;
mod number;
mod papers;
mod plan;
mod revision;
mod scan;
mod verify;

pub use check::{SILENT, TAIL_LIMIT};
pub use deliver::{Delivered, Handoff, Request, look, make};
pub use fault::HandoffFault;
pub use fresh::{how_out_of_date, out_of_date};
pub use manifest::{AudioEntry, CHECKSUMS, FileEntry, MANIFEST, Manifest};
pub use plan::{DEPTHS, Document};
pub use revision::{ChangedDecision, ChangedFile, ChangedStrokes, Changes, MOVED, Sent, zip_name};
pub use scan::{Facts, TAIL};
pub use verify::{Verified, manifest_of, verify};
