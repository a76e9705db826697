//! `tickseam average`.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use tickseam_record::{OutputFolder, SampleArray, Stream, write_npy_header};

use super::replay::{Options, Replayed, read_and_align, results_folder};
use super::terminal::{Failure, Progress, frequency_hz, print, range_ms, time_ms, whole};
use crate::align::Captured;
use crate::average::{self, Average, AverageError, Plan, Polarity};

#[derive(Debug, Args)]
pub(super) struct AverageArguments {
    /// The recording folder.
    folder: PathBuf,
    /// Label of the events to average.
    #[arg(long, value_name = "LABEL")]
    label: String,
    /// From where to where, after the onset.
    #[arg(long, value_name = "FROM:TO", default_value = "-200ms:800ms", value_parser = range_ms,
          allow_hyphen_values = true)]
    window: [f64; 2],
    /// What counts as level, or none [default: the window before 0].
    #[arg(long, value_name = "FROM:TO", value_parser = baseline, allow_hyphen_values = true)]
    baseline: Option<Baseline>,
    /// Where the peak is looked for [default: the window after 0].
    #[arg(long, value_name = "FROM:TO", value_parser = range_ms, allow_hyphen_values = true)]
    peak: Option<[f64; 2]>,
    /// Which way the peak points.
    #[arg(long, value_enum, default_value_t = Pointing::Positive)]
    polarity: Pointing,
    /// The stream that is averaged [default: the reference stream].
    #[arg(long, value_name = "NAME")]
    stream: Option<String>,
    /// A channel, counted from 0; may be given again [default: all].
    #[arg(long = "channel", value_name = "N", value_parser = whole::<usize>, allow_hyphen_values = true)]
    channels: Vec<usize>,
    /// Leave out events that are known less well than this.
    #[arg(long, value_name = "TIME", value_parser = time_ms)]
    most_u95: Option<f64>,
    /// Rate of the common grid: 500Hz [default: the stream's nominal rate].
    #[arg(long, value_name = "HZ", value_parser = frequency_hz)]
    rate: Option<f64>,
    /// Smooth by a Gaussian filter that leaves half of the amplitude here: 20Hz.
    #[arg(long, value_name = "HZ", value_parser = frequency_hz)]
    low_pass: Option<f64>,
    /// Rounds of the bootstrap.
    #[arg(long, value_name = "N", default_value_t = 2000, value_parser = whole::<u32>, allow_hyphen_values = true)]
    rounds: u32,
    /// One seed, one set of intervals, bit for bit.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = whole::<u64>, allow_hyphen_values = true)]
    seed: u64,
    /// Unit of the samples, for axes and tables: uV.
    #[arg(long, value_name = "UNIT", default_value = "", hide_default_value = true)]
    unit: String,
    /// Folder for the results [default: FOLDER-average, beside FOLDER].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print average.json instead of the summary.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Pointing {
    Positive,
    Negative,
}

/// A baseline that was asked for; `None` for none.
#[derive(Clone, Copy, Debug)]
struct Baseline(Option<[f64; 2]>);

fn baseline(text: &str) -> Result<Baseline, String> {
    if text == "none" {
        return Ok(Baseline(None));
    }
    range_ms(text).map(|range| Baseline(Some(range))).map_err(|expected| format!("{expected}; or none"))
}

impl AverageArguments {
    fn plan(&self, stream: usize) -> Plan {
        let [from_ms, to_ms] = self.window;
        let before = (from_ms < 0.0).then_some([from_ms, to_ms.min(0.0)]);
        Plan {
            label: self.label.clone(),
            stream,
            channels: self.channels.clone(),
            window_ms: self.window,
            baseline_ms: self.baseline.map_or(before, |baseline| baseline.0),
            peak_ms: self.peak.unwrap_or(if to_ms > 0.0 { [from_ms.max(0.0), to_ms] } else { self.window }),
            polarity: match self.polarity {
                Pointing::Positive => Polarity::Positive,
                Pointing::Negative => Polarity::Negative,
            },
            most_u95_ms: self.most_u95,
            rate_hz: self.rate,
            low_pass_hz: self.low_pass,
            rounds: self.rounds,
            seed: self.seed,
            unit: self.unit.clone(),
        }
    }
}

impl From<AverageError> for Failure {
    fn from(error: AverageError) -> Self {
        match error {
            AverageError::Plan(_) => Self::Usage(error.to_string()),
            AverageError::Trials(_) | AverageError::Samples(_) => Self::Data(error.to_string()),
        }
    }
}

pub(super) fn average_recording(arguments: &AverageArguments) -> Result<(), Failure> {
    let folder = &arguments.folder;
    let out = results_folder(folder, &arguments.out, "-average")?;
    let progress = Progress::new();
    let replayed = read_and_align(folder, &Options::default(), &|what| progress.say(what))?;
    let Replayed { recording, aligned, .. } = &replayed;
    let streams = &recording.description.streams;
    let stream = match &arguments.stream {
        None => 0,
        Some(name) => stream_named(streams, name)?,
    };
    progress.say("averaging");
    // A recording has 255 streams at most.
    let number = u8::try_from(stream).unwrap_or(u8::MAX);
    let mut samples = SampleArray::open(folder, &streams[stream].name, number, &recording.packets)
        .map_err(AverageError::Samples)?;
    let captured = Captured::of(recording);
    let plan = arguments.plan(stream);
    let averaged = average::average(&captured, aligned, &mut samples, &plan)
        .map_err(|error| in_folder(error, folder.display()))?;
    progress.say("writing");
    let picture = average::plot(&averaged)
        .map_err(|error| Failure::Data(format!("average.svg: cannot be drawn: {error}")))?;
    let mut text = serde_json::to_string_pretty(&average::json(&averaged))
        .map_err(|error| Failure::Data(error.to_string()))?;
    text.push('\n');
    let mut output = OutputFolder::open_apart_from(folder, &out)?;
    output.write("average.svg", |file| file.write_all(picture.as_bytes()))?;
    output.write("average.csv", |file| average::write_average_csv(&averaged, file))?;
    output.write("average.npy", |file| write_array(&averaged, &averaged.mean.mean, file))?;
    let errors = averaged.mean.standard_error();
    output.write("standard_error.npy", |file| write_array(&averaged, &errors, file))?;
    let rate_hz = streams[stream].rate_hz;
    output.write("trials.csv", |file| average::write_trials_csv(&averaged, aligned, rate_hz, file))?;
    output.write("average.json", |file| file.write_all(text.as_bytes()))?;
    output.commit()?;
    drop(progress);
    if arguments.json {
        return print(&text);
    }
    print(&average::for_people(&averaged, &folder.display().to_string(), &out))
}

/// Place of a stream of this name, which `--stream` gave.
pub(super) fn stream_named(streams: &[Stream], name: &str) -> Result<usize, Failure> {
    streams.iter().position(|stream| stream.name == name).ok_or_else(|| {
        let names: Vec<String> = streams.iter().map(|stream| format!("{:?}", stream.name)).collect();
        Failure::Usage(format!("--stream: found {name:?}, expected one of {}", names.join(", ")))
    })
}

/// What is wrong with the recording's trials, with the recording's name.
fn in_folder(error: AverageError, folder: std::path::Display<'_>) -> Failure {
    match error {
        AverageError::Trials(text) => Failure::Data(format!("{folder}: {text}")),
        other => other.into(),
    }
}

/// An array of (points, channels).
fn write_array(average: &Average, values: &[f64], file: &mut dyn std::io::Write) -> std::io::Result<()> {
    write_npy_header(file, "<f8", &[average.time_ms.len(), average.plan.channels.len()])?;
    values.iter().try_for_each(|value| file.write_all(&value.to_le_bytes()))
}
