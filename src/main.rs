//! The `underlay` command: everything is in the library.

fn main() {}
