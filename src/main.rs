//! The `underlay` command: everything is in the library.

use std::io::{self, IsTerminal};
use std::process::ExitCode;
use underlay::cli::{Screen, run};

fn main() -> ExitCode {
    // The first thread works with the others instead of waiting for them. If that cannot be had it waits, which is as good.
    let _ = rayon::ThreadPoolBuilder::new().use_current_thread().build_global();
    let bars = io::stderr().is_terminal();
    let mut screen = Screen { out: &mut io::stdout().lock(), err: &mut io::stderr(), bars };
    ExitCode::from(run(std::env::args_os(), &mut screen) as u8)
}
