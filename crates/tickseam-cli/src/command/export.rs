//! `tickseam export`.

use std::ffi::OsString;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use tickseam_record::{EdfKind, EdfStart, OutputFolder, SampleArray};

use super::replay::{Options, Replayed, read_and_align};
use super::terminal::{Failure, Progress, print};
use crate::align::Captured;
use crate::export::{self, ExportError, Plan, Segment};
use crate::summary::paragraph;

#[derive(Debug, Args)]
pub(super) struct Export {
    /// The recording folder.
    folder: PathBuf,
    /// The file, of the kind that its name ends in: .edf or .bdf; where the headset restarted, NAME-segment-0 and so on.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// The stream that is written [default: the reference stream].
    #[arg(long, value_name = "NAME")]
    stream: Option<String>,
    /// Unit of the samples: uV.
    #[arg(long, value_name = "UNIT", default_value = "", hide_default_value = true, value_parser = unit)]
    unit: String,
    /// Local time of the first sample [default: unknown].
    #[arg(long, value_name = "YYYY-MM-DDThh:mm:ss", value_parser = start)]
    start: Option<EdfStart>,
    /// Leave out seconds of which nothing came; some readers refuse such files, or take them for continuous.
    #[arg(long)]
    discontinuous: bool,
}

fn start(text: &str) -> Result<EdfStart, String> {
    EdfStart::parse(text)
        .ok_or_else(|| "expected a date from 1985 to 2084 and a time: 2026-03-01T21:30:00".to_owned())
}

/// A unit that the file's header has room for.
fn unit(text: &str) -> Result<String, String> {
    if text.len() <= 8 && text.bytes().all(|byte| (b' '..=b'~').contains(&byte)) {
        Ok(text.to_owned())
    } else {
        Err("expected at most 8 characters of ASCII, which is what the file has room for: uV".to_owned())
    }
}

/// The kind of file that a name asks for.
fn kind(out: &Path) -> Result<EdfKind, Failure> {
    let extension = out.extension().unwrap_or_default();
    if extension.eq_ignore_ascii_case("edf") {
        Ok(EdfKind::Edf)
    } else if extension.eq_ignore_ascii_case("bdf") {
        Ok(EdfKind::Bdf)
    } else {
        let name = out.display();
        Err(Failure::Usage(format!("--out: found {name}, expected a name that ends in .edf or .bdf")))
    }
}

/// The name of a segment's file.
fn file_name(out: &Path, segment: u32, of: usize) -> Option<OsString> {
    if of == 1 {
        return Some(out.file_name()?.to_owned());
    }
    let mut name = out.file_stem()?.to_owned();
    name.push(format!("-segment-{segment}."));
    name.push(out.extension()?);
    Some(name)
}

pub(super) fn export_recording(arguments: &Export) -> Result<(), Failure> {
    let Export { folder, out, .. } = arguments;
    let kind = kind(out)?;
    let progress = Progress::new();
    let replayed = read_and_align(folder, &Options::default(), &|what| progress.say(what))?;
    let Replayed { recording, aligned, .. } = &replayed;
    let streams = &recording.description.streams;
    let stream = match &arguments.stream {
        None => 0,
        Some(name) => super::average::stream_named(streams, name)?,
    };
    progress.say("reading samples");
    let data = |error: ExportError| Failure::Data(format!("{}: {error}", folder.display()));
    // A recording has 255 streams at most.
    let number = u8::try_from(stream).unwrap_or(u8::MAX);
    let mut samples = SampleArray::open(folder, &streams[stream].name, number, &recording.packets)
        .map_err(|error| Failure::Data(error.to_string()))?;
    let plan = Plan {
        stream,
        kind,
        unit: arguments.unit.clone(),
        start: arguments.start,
        discontinuous: arguments.discontinuous,
    };
    let segments = export::prepare(&Captured::of(recording), aligned, &mut samples, &plan).map_err(data)?;
    progress.say("writing");
    let parent = out.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut output = OutputFolder::open_in_place_apart_from(folder, parent)?;
    let mut text = String::new();
    for segment in &segments {
        let name = file_name(out, segment.segment, segments.len())
            .and_then(|name| name.into_string().ok())
            .ok_or_else(|| {
            Failure::Usage(format!("--out: found {}, expected a name in UTF-8", out.display()))
        })?;
        output.write(&name, |file| segment.write(&mut samples, file))?;
        tell(&mut text, segment, &parent.join(name), &arguments.unit);
    }
    output.commit()?;
    drop(progress);
    print(&text)
}

fn count(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}

/// What a file holds, for people.
fn tell(text: &mut String, segment: &Segment<'_>, path: &Path, unit: &str) {
    let file = &segment.file;
    paragraph(text, "Written", &format!("{}.", path.display()));
    let mut words = format!(
        "{}, {} samples; {} of them lost in {}",
        count(file.signals.len(), "channel"),
        segment.received + segment.lost,
        segment.lost,
        count(segment.gaps, "gap")
    );
    if segment.gaps > 0 {
        words += ", marked by annotations; the last value received is repeated there";
    }
    if segment.left_out > 0 {
        let _ = write!(
            words,
            "; {} records of which nothing came are left out: a discontinuous file, which some readers refuse and others take for \
             continuous",
            segment.left_out
        );
    }
    words += &match segment.largest_step {
        None => "; whole numbers, kept as they are".to_owned(),
        Some(step) => {
            let unit = if unit.is_empty() { "units of the file" } else { unit };
            format!("; values are rounded to steps of {step:.3e} {unit} or less")
        }
    };
    paragraph(text, "Samples", &format!("{words}."));
    let mut words = format!("{} as annotations where they were placed", segment.events);
    if segment.outside > 0 {
        let _ = write!(
            words,
            "; {} lie before the first or after the last sample and are left out",
            segment.outside
        );
    }
    paragraph(text, "Events", &format!("{words}."));
}
