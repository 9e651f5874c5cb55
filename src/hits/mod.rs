//! Finding hits: novelty, threshold, attack, own-or-bleed, velocity, hit list.
//!
//! In: the mics of a take. Out: a [`HitList`], sorted in time, positions to the sample.

pub mod attack;
pub mod bands;
pub mod bleed;
mod find;
mod hit;
mod list;
pub mod matching;
pub mod novelty;
pub mod pick;
pub mod place;
pub mod take;
pub mod velocity;

pub use find::{Evidence, Found, find};
pub use hit::{GridPlace, Hit, Kind, State};
pub use list::{COLUMNS, HitList, HitListFault, ListRead};
pub use place::place_of;
pub use velocity::velocities;
