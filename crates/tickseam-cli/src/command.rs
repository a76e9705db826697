//! The `tickseam` command: what it takes, what it says, and with which status it ends.

mod average;
mod export;
mod follow;
mod replay;
mod simulation;
mod sweep;
mod terminal;
mod unpack;

use std::ffi::OsString;
use std::io::{self, Write};
use std::process::ExitCode;

use clap::error::ErrorKind as ErrorKindOfUsage;
use clap::{Parser, Subcommand};

use self::terminal::{Failure, print};

/// Places events of the phone's clock on the sample timeline of a wireless headset, and says how sure each place is.
#[derive(Debug, Parser)]
#[command(name = "tickseam", version, max_term_width = 80, disable_help_subcommand = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Align a recording: place its events, list its gaps.
    ///
    /// Writes events.tsv with events.json, gaps.csv, alignment.json, placements.parquet and packets.parquet. If the
    /// folder holds a truth.csv, also says how large the errors were and how often the 95 % interval held; the
    /// estimator never sees it.
    Replay(replay::Replay),
    /// Average the samples around events, and say what their placement adds to the peak's latency.
    ///
    /// Cuts the samples around each event of a label at its placed onset, between samples where it lies there, and
    /// averages them; beside that, the same with the onsets that arrival stamps give. Needs the samples,
    /// <stream>.npy. Writes average.svg, average.csv, average.npy, standard_error.npy, trials.csv and average.json.
    Average(average::AverageArguments),
    /// Write samples and placed events as an EDF+ or BDF+ file.
    ///
    /// A file for each stream and segment: the samples of <stream>.npy on one even timeline, lost ones marked by
    /// annotations, and each event as an annotation where it was placed among the samples.
    Export(export::Export),
    /// Simulate a headset and a phone: write a recording with its truth.
    Simulate(simulation::Simulate),
    /// Find the packet schedule that places events best: simulate and align each of a grid.
    ///
    /// Prints a ranking with its reasons and writes a page. All keys of the file stand in the documentation of
    /// tickseam_cli::schedule; an empty file is a plan too.
    Schedule(sweep::Sweep),
    /// Make a recording of a Bluetooth log, or list what is in it.
    ///
    /// Reads btsnoop, and pcap and pcapng with HCI packets. All keys of the layout stand in the documentation of
    /// tickseam_record::capture::layout; without --layout the log is listed, and a layout to begin with is drafted.
    Unpack(unpack::Unpack),
    /// Say what is known while packets come in: rows of packets.csv on standard input.
    ///
    /// tail -f -n +1 packets.csv | tickseam follow recording.toml
    ///
    /// One line on a terminal, written anew; else a line each second of the host's stamps. The same rows give
    /// the same lines. Exchanges and markers are not heard. All keys of --json stand in the documentation of
    /// tickseam_cli::follow.
    Follow(follow::Follow),
}

/// Runs the command with its arguments, the program's name first.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let outcome = match Arguments::try_parse_from(arguments) {
        Ok(Arguments { command: Command::Replay(arguments) }) => replay::replay(&arguments),
        Ok(Arguments { command: Command::Follow(arguments) }) => follow::follow(&arguments),
        Ok(Arguments { command: Command::Average(arguments) }) => average::average_recording(&arguments),
        Ok(Arguments { command: Command::Export(arguments) }) => export::export_recording(&arguments),
        Ok(Arguments { command: Command::Simulate(arguments) }) => simulation::simulate_recording(&arguments),
        Ok(Arguments { command: Command::Schedule(arguments) }) => sweep::sweep(&arguments),
        Ok(Arguments { command: Command::Unpack(arguments) }) => unpack::unpack_log(&arguments),
        Err(error) if error.kind() == ErrorKindOfUsage::DisplayHelpOnMissingArgumentOrSubcommand => {
            let _ = write!(io::stderr(), "{}", error.render());
            return ExitCode::from(2);
        }
        Err(error) if error.use_stderr() => {
            let text = error.render().to_string();
            Err(Failure::Usage(text.trim_start_matches("error: ").trim_end().to_owned()))
        }
        // Help and version are asked for, so they are output.
        Err(error) => print(&error.render().to_string()),
    };
    let (text, status) = match outcome {
        Ok(()) | Err(Failure::NobodyReads) => return ExitCode::SUCCESS,
        Err(Failure::Data(text)) => (text, 1),
        Err(Failure::Usage(text)) => (text, 2),
    };
    // Should nobody read this either, the status still tells.
    let _ = writeln!(io::stderr(), "tickseam: {text}");
    ExitCode::from(status)
}
