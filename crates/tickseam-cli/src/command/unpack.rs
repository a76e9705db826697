//! `tickseam unpack`.

use std::path::PathBuf;

use clap::Args;
use tickseam_record::capture::{CaptureError, Choice, Layout, Request, survey, unpack};
use tickseam_record::read_text;

use super::terminal::{Failure, Progress, print};
use crate::unpacked;

#[derive(Debug, Args)]
pub(super) struct Unpack {
    /// The log: btsnoop, or pcap or pcapng with HCI packets (link types 187, 201, 254).
    log: PathBuf,
    /// Where in the notifications the numbers stand; without it, the log is listed.
    #[arg(long, value_name = "LAYOUT.toml", requires = "out")]
    layout: Option<PathBuf>,
    /// Folder for the recording: a new or an empty one.
    #[arg(long, value_name = "FOLDER", requires = "layout")]
    out: Option<PathBuf>,
    /// The device, where several send such values: its address, or the connection handle where the log has no address.
    ///
    /// As the list without --layout says it: C0:FF:EE:00:00:01 or 0x0040. Given several times, these are one device under several
    /// addresses.
    #[arg(long, value_name = "WHO", value_parser = Choice::parse, requires = "layout")]
    peer: Vec<Choice>,
    /// Events to put into the recording: a file with the columns host_ns and label.
    ///
    /// Their stamps have to be of the clock that stamped the log. On a phone that is its wall clock, in ns since 1970 (UTC), not the
    /// monotonic clock that an app should stamp with otherwise: an app whose events are to be placed by a log stamps them with both.
    #[arg(long, value_name = "events.csv", requires = "layout")]
    events: Option<PathBuf>,
}

pub(super) fn unpack_log(arguments: &Unpack) -> Result<(), Failure> {
    let Unpack { log, .. } = arguments;
    let progress = Progress::new();
    let (Some(layout_path), Some(out)) = (&arguments.layout, &arguments.out) else {
        progress.say("looking through the log");
        let survey = survey(log)?;
        drop(progress);
        return print(&unpacked::listing(log, &survey));
    };
    let text = read_text(layout_path, "a layout, a TOML file")?;
    let mut notes = Vec::new();
    let layout = Layout::from_toml(&layout_path.display().to_string(), &text, &mut notes)
        .map_err(|error| Failure::Data(error.to_string()))?;
    if std::fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(Failure::Usage(format!(
            "{}: found files in it, expected a new or an empty folder; name another with --out, or empty it",
            out.display()
        )));
    }
    let request = Request {
        log,
        layout: &layout,
        layout_text: &text,
        peers: &arguments.peer,
        events: arguments.events.as_deref(),
    };
    let mut done = unpack(&request, out, &|what| progress.say(what))?;
    drop(progress);
    notes.append(&mut done.notes);
    print(&unpacked::for_people(log, out, &layout, &done, &notes))
}

impl From<CaptureError> for Failure {
    fn from(error: CaptureError) -> Self {
        match error {
            CaptureError::Write(error) => error.into(),
            CaptureError::Choice { .. } => Self::Usage(error.to_string()),
            _ => Self::Data(error.to_string()),
        }
    }
}
