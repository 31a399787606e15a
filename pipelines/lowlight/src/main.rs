//! The `lowlight` program.

use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;
use lowlight::cli::{Cli, Command};
use lowlight::{child, measure, simulate};

/// Wrong usage or input.
const USAGE: u8 = 2;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return usage(&error),
    };
    let code = match cli.command {
        Command::Measure(args) => measure::run(&args),
        Command::Simulate(args) => simulate::run(&args),
        Command::MeasureChild(_) => return child::run(),
    };
    match code {
        Ok(code) => ExitCode::from(code),
        Err(error) => {
            eprintln!("lowlight: {error}");
            ExitCode::from(USAGE)
        }
    }
}

/// Help as it is; an error as one line.
fn usage(error: &clap::Error) -> ExitCode {
    if matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) {
        // Nobody is left to tell when stdout is closed.
        let _ = error.print();
        return ExitCode::SUCCESS;
    }
    if error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        eprintln!("lowlight: no command given; see lowlight --help");
        return ExitCode::from(USAGE);
    }
    let text = error.render().to_string();
    let first: Vec<&str> = text.lines().take_while(|line| !line.trim().is_empty()).map(str::trim).collect();
    let line = first.join(" ");
    eprintln!("lowlight: {}; see lowlight --help", line.strip_prefix("error: ").unwrap_or(&line));
    ExitCode::from(USAGE)
}
