//! Finding hits: novelty, threshold, attack, own-or-bleed, velocity, hit list.
//!
//! In: the mics of a take. Out: a [`HitList`], sorted in time, positions to the sample.

pub mod attack;
pub mod bands;
pub mod bleed;
mod find;
mod hit;
mod list;
pub mod novelty;
pub mod pick;
pub mod take;
pub mod velocity;

pub use find::{Evidence, Found, find};
pub use hit::{GridPlace, Hit, Kind, State};
pub use list::{HitList, HitListFault};
pub use velocity::velocities;
