//! Finding hits: novelty, threshold, attack, own-or-bleed, velocity, hit list.
//!
//! In: the mics of a take. Out: a [`HitList`], sorted in time, positions to the sample.

pub mod apart;
pub mod attack;
pub mod bands;
pub mod bleed;
mod carry;
pub mod cleaned;
pub mod contrast;
mod decibel;
pub mod decide;
pub mod echo;
pub mod edge;
mod evidence;
mod filters;
mod find;
mod freed;
mod hit;
pub mod judge;
pub mod kind;
pub mod likeness;
mod list;
pub mod low_rise;
pub mod matching;
pub mod measure;
mod model;
pub mod novelty;
pub mod other_drum;
pub mod other_way;
pub mod others;
pub mod paths;
pub mod pick;
pub mod place;
mod quiet;
pub mod rest;
mod rows;
mod spectra;
pub mod still;
pub mod strength;
mod sum;
pub mod survey;
pub mod take;
mod transpose;
mod usual;
pub mod valley;
pub mod velocity;

pub use evidence::Evidence;
pub use find::{FLOOR, Found, MIN_GAP_MS, THRESHOLD, find, waveforms};
pub use hit::{DOUBTFUL_BELOW, GridPlace, Hit, Kind, State};
pub use list::{COLUMNS, HitList, HitListFault, ListRead};
pub use place::place_of;
pub use take::own_mics;
pub use velocity::velocities;
