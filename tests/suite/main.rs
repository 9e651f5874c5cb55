//! Statements of fact about drums and files, over the public library and the built command.
//! One binary, one module a subject, so that linking stays quick.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod audio;
mod command;
mod demo;
mod handoff;
mod hitlist;
mod hits;
mod layer;
mod loudness;
mod midi;
mod mix;
mod phase;
mod report;
mod run;
mod sessions;
mod sheet;
mod small_song;
mod takes;
mod tempo;
mod timing;
