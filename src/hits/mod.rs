//! Finding hits: novelty, threshold, attack, own-or-bleed, velocity, hit list.
//!
//! In: the mics of a take. Out: a [`HitList`], sorted in time, positions to the sample.

mod find;
mod hit;
mod list;

pub use find::{Evidence, Found, find};
pub use hit::{GridPlace, Hit, Kind, State};
pub use list::{HitList, HitListFault};
