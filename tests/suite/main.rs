//! Statements of fact about drums and files, over the public library and the built command.
//! One binary, one module a subject, so that linking stays quick.

mod loudness;
mod mix;
mod small_song;
