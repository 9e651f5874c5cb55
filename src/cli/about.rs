//! Shell completions and the manual page, from the same definition as the help.

use std::io::{self, Write};

/// Print shell completions
#[derive(clap::Args)]
pub(super) struct Completions {
    /// Shell to complete in
    #[arg(value_enum)]
    shell: clap_complete::Shell,
}

pub(super) fn completions(wanted: &Completions, out: &mut dyn Write) -> io::Result<()> {
    let mut text = Vec::new();
    clap_complete::generate(wanted.shell, &mut super::definition(), "underlay", &mut text);
    out.write_all(&text)
}

/// One page: the program, then every command with its options.
pub(super) fn man(out: &mut dyn Write) -> io::Result<()> {
    let definition = super::definition();
    let mut text = Vec::new();
    clap_mangen::Man::new(definition.clone()).render(&mut text)?;
    for command in definition.get_subcommands().filter(|c| !c.is_hide_set()) {
        let named = command.clone().bin_name(format!("underlay {}", command.get_name()));
        let page = clap_mangen::Man::new(named);
        writeln!(text, ".SH COMMAND {}", command.get_name().to_uppercase())?;
        page.render_synopsis_section(&mut text)?;
        page.render_description_section(&mut text)?;
        page.render_options_section(&mut text)?;
        if command.get_after_help().is_some() {
            page.render_extra_section(&mut text)?;
        }
    }
    out.write_all(&text)
}
