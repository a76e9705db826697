//! `tickseam follow`.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

use clap::Args;
use tickseam_record::{Description, Note, Packet, PacketRows, ReadError, read_text};

use super::terminal::{Failure, print, time_ms};
use crate::follow::{Follower, Pace, SILENCE_NS, State, heading, plain_line, status_line};

#[derive(Debug, Args)]
pub(super) struct Follow {
    /// What is known of the device: recording.toml, or the folder that holds it.
    #[arg(value_name = "recording.toml")]
    description: PathBuf,
    /// A line each so much of the host's time, where output is no terminal.
    #[arg(long, value_name = "TIME", value_parser = time_ms, default_value = "1s")]
    every: f64,
    /// Print one JSON object a line.
    #[arg(long)]
    json: bool,
    /// The header of packets.csv, where it does not come with the rows.
    #[arg(long, value_name = "COLUMNS")]
    header: Option<String>,
    /// End with status 1 where at the end the u95 is above this, or unknown.
    #[arg(long, value_name = "TIME", value_parser = time_ms)]
    fail_above: Option<f64>,
}

/// What the rows are called in messages.
const SOURCE: &str = "standard input";

/// Rows that may wait to be taken in.
const WAITING: usize = 4096;

/// How often a terminal's line is written anew.
const REDRAW: Duration = Duration::from_millis(200);

/// What comes from outside.
enum Incoming {
    Row(Packet),
    /// The rows have ended.
    End(Result<Vec<Note>, ReadError>),
    /// Somebody asked to stop.
    Stop,
}

pub(super) fn follow(arguments: &Follow) -> Result<(), Failure> {
    let stdin = std::io::stdin();
    if stdin.is_terminal() {
        return Err(Failure::Usage(
            "standard input: found a terminal, expected rows of packets.csv; for instance: \
             tail -f -n +1 packets.csv | tickseam follow recording.toml"
                .to_owned(),
        ));
    }
    let (description, notes) = described(&arguments.description)?;
    if let Some(header) = &arguments.header {
        let tried = PacketRows::with_header(header, std::io::empty(), SOURCE, &description);
        tried.map_err(|error| Failure::Usage(format!("--header: {error}")))?;
    }
    let follower = Follower::new(&description)
        .map_err(|fault| Failure::Data(format!("{}: {fault}", arguments.description.display())))?;
    notes.iter().for_each(tell);

    let (sender, incoming) = sync_channel(WAITING);
    let stop = sender.clone();
    // Where no handler can be set, the signal ends the program as it always does.
    let _ = ctrlc::set_handler(move || {
        let _ = stop.send(Incoming::Stop);
    });
    let header = arguments.header.clone();
    // It is not waited for: after a signal it may still be reading.
    std::thread::spawn(move || read_rows(header.as_deref(), &description, &sender));

    let every_ns = (arguments.every * 1e6).min(i64::MAX as f64) as i64;
    let mut following = Following {
        follower,
        pace: Pace::new(every_ns),
        shows: match (arguments.json, std::io::stdout().is_terminal()) {
            (true, _) => Shows::Json,
            (false, true) => Shows::Terminal,
            (false, false) => Shows::Lines { headed: false, last: None },
        },
        touched: Instant::now(),
        drawn: None,
    };
    let ended = loop {
        match incoming.recv_timeout(REDRAW) {
            Ok(Incoming::Row(packet)) => following.take(&packet)?,
            Ok(Incoming::End(outcome)) => break outcome,
            Ok(Incoming::Stop) => break Ok(Vec::new()),
            Err(RecvTimeoutError::Timeout) => following.redraw()?,
            Err(RecvTimeoutError::Disconnected) => break Ok(Vec::new()),
        }
    };
    let state = following.finish()?;
    let notes = ended.map_err(|error| Failure::Data(error.to_string()))?;
    notes.iter().for_each(tell);
    match (arguments.fail_above, state.u95_ms) {
        (Some(most_ms), Some(u95_ms)) if u95_ms > most_ms => Err(Failure::Data(format!(
            "at the end the clock is known to within {u95_ms:.3} ms, which is above {most_ms} ms"
        ))),
        (Some(most_ms), None) => Err(Failure::Data(format!(
            "at the end nothing is known of the clock, expected it to within {most_ms} ms"
        ))),
        _ => Ok(()),
    }
}

/// Says what was passed over, where it does not mix with the output.
fn tell(note: &Note) {
    let _ = writeln!(std::io::stderr(), "tickseam: {note}");
}

fn described(path: &Path) -> Result<(Description, Vec<Note>), Failure> {
    // A folder of a recording is meant as well as its description.
    let path = if path.is_dir() { path.join("recording.toml") } else { path.to_path_buf() };
    let text = read_text(&path, "a recording.toml")?;
    let mut notes = Vec::new();
    Description::from_toml_of(&path.display().to_string(), &text, &mut notes)
        .map(|description| (description, notes))
        .map_err(|error| Failure::Data(error.to_string()))
}

/// Sends each row on as it comes, and how they ended.
fn read_rows(header: Option<&str>, description: &Description, sender: &SyncSender<Incoming>) {
    let stdin = std::io::stdin();
    let source = stdin.lock();
    let rows = match header {
        Some(header) => PacketRows::with_header(header, source, SOURCE, description),
        None => PacketRows::new(source, SOURCE, description),
    };
    let mut notes = Vec::new();
    let outcome = rows
        .and_then(|mut rows| rows.for_each(&mut notes, |packet| sender.send(Incoming::Row(packet)).is_ok()));
    let _ = sender.send(Incoming::End(outcome.map(|()| notes)));
}

enum Shows {
    Json,
    Terminal,
    /// Whether the heading was printed, and the line printed last.
    Lines {
        headed: bool,
        last: Option<String>,
    },
}

struct Following {
    follower: Follower,
    pace: Pace,
    shows: Shows,
    /// When the newest row came, by the machine's own clock: for a terminal only.
    touched: Instant,
    drawn: Option<Instant>,
}

impl Following {
    fn take(&mut self, packet: &Packet) -> Result<(), Failure> {
        if matches!(self.shows, Shows::Terminal) {
            self.follower.observe(packet);
            self.touched = Instant::now();
            return if self.drawn.is_none_or(|drawn| drawn.elapsed() >= REDRAW) {
                self.redraw()
            } else {
                Ok(())
            };
        }
        let due = self.pace.is_due(packet.host_ns);
        let silence_ns =
            self.follower.newest_ns().map_or(0, |newest_ns| packet.host_ns.saturating_sub(newest_ns));
        // After a silence, what was known at its end is worth a line of its own.
        if due && silence_ns > SILENCE_NS {
            let state = self.follower.state_after(silence_ns);
            self.show(&state)?;
        }
        self.follower.observe(packet);
        if due {
            let state = self.follower.state();
            self.show(&state)?;
        }
        Ok(())
    }

    fn show(&mut self, state: &State) -> Result<(), Failure> {
        match &mut self.shows {
            Shows::Json => {
                let mut text =
                    serde_json::to_string(state).map_err(|error| Failure::Data(error.to_string()))?;
                text.push('\n');
                print(&text)
            }
            Shows::Lines { headed, last } => {
                let line = plain_line(state) + "\n";
                let above = if *headed { String::new() } else { heading() };
                *headed = true;
                print(&(above + &line))?;
                *last = Some(line);
                Ok(())
            }
            Shows::Terminal => {
                let columns = terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0));
                // The last column is left free: some terminals would begin another line.
                let line = status_line(state, columns.saturating_sub(1));
                print(&format!("\r{line}\x1b[K"))
            }
        }
    }

    /// Writes a terminal's line anew, with what time has done meanwhile.
    fn redraw(&mut self) -> Result<(), Failure> {
        if !matches!(self.shows, Shows::Terminal) {
            return Ok(());
        }
        self.drawn = Some(Instant::now());
        let silence_ns = i64::try_from(self.touched.elapsed().as_nanos()).unwrap_or(i64::MAX);
        let state = self.follower.state_after(silence_ns);
        self.show(&state)
    }

    /// Shows how it stands at the end.
    fn finish(&mut self) -> Result<State, Failure> {
        let state = State { is_final: true, ..self.follower.state() };
        match &self.shows {
            // It stands there already.
            Shows::Lines { last: Some(last), .. } if *last == plain_line(&state) + "\n" => {}
            Shows::Terminal => {
                self.show(&state)?;
                print("\n")?;
            }
            _ => self.show(&state)?,
        }
        Ok(state)
    }
}
