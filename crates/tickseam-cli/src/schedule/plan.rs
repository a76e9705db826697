//! What is asked: the schedules to try, the conditions that they meet, and what is known of the device.

use std::fmt;

use serde::Deserialize;
use tickseam_record::Description;
use tickseam_sim::beat::Beat;
use tickseam_sim::scenario::{DeclareScenario, ExchangeScenario, Stimulus, TickStamp, TrialsScenario};
use tickseam_sim::{Scenario, ScenarioError};

use super::radio::Radio;

/// Most runs that a plan may ask for.
const MOST_RUNS: usize = 1_000_000;

/// What the firmware engineer chooses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Schedule {
    /// Samples in a packet.
    pub samples_per_packet: u32,
    /// Each packet holds up to so many more or fewer, at random.
    pub dither_samples: u32,
    /// Connection interval as the phone grants it, ms.
    pub interval_ms: f64,
    /// Octets of one sample of all channels; none where packets are equally long whatever they hold.
    pub octets_per_sample: Option<u32>,
    /// Time between time stamp exchanges, s; 0: none.
    pub exchange_period_s: f64,
    /// Where the firmware reads the counter for a packet.
    pub tick_stamp: TickStamp,
}

/// What it meets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Condition {
    /// Share of transmissions that fail, 0 to 1.
    pub error_rate: f64,
    /// The headset's clock against the phone's, ppm; positive: fast.
    pub drift_ppm: f64,
}

/// A schedule that cannot be, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Impossible {
    /// The schedule.
    pub schedule: Schedule,
    /// The key of the scenario that refuses it, and the cause.
    pub why: String,
}

/// All that a sweep needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What no choice and no condition changes.
    pub base: Scenario,
    /// The schedules to try, each once.
    pub schedules: Vec<Schedule>,
    /// Those of the grid that cannot be.
    pub impossible: Vec<Impossible>,
    /// What each of them meets.
    pub conditions: Vec<Condition>,
    /// Intervals asked for and granted, where they differ, ms.
    pub changed_ms: Vec<(f64, f64)>,
    /// Intervals that the phone grants, ms; empty: all.
    pub grants_ms: Vec<f64>,
    /// First seed.
    pub first_seed: u64,
    /// Seeds for each condition.
    pub seeds: u64,
    /// Length of a session, s.
    pub session_s: f64,
    /// Error and half-width that are wanted, ms.
    pub target_ms: f64,
    /// The schedule of the device that the plan started from, where there is one and the grid holds it.
    pub own: Option<Schedule>,
    /// Octets of a packet's value besides its samples.
    pub packet_octets: u32,
    /// Most that a headset's reply waits at random, ms; none: one interval.
    pub reply_dither_ms: Option<f64>,
    /// What the radio takes.
    pub radio: Radio,
}

/// Why there is no plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PlanError {
    /// The text is no TOML, or holds a key or a type that no plan has.
    Syntax {
        /// Line and column, from 1, where they are known.
        place: Option<(usize, usize)>,
        /// What is wrong.
        message: String,
    },
    /// A value outside its range, or one that contradicts another.
    Value {
        /// The key, as in the file.
        key: String,
        /// What was expected and what was found.
        message: String,
    },
}

impl fmt::Display for PlanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Syntax { place: Some((line, column)), message } => {
                write!(f, "line {line}, column {column}: {message}")
            }
            Self::Syntax { place: None, message } => f.write_str(message),
            Self::Value { key, message } => write!(f, "{key}: {message}"),
        }
    }
}

impl std::error::Error for PlanError {}

impl From<ScenarioError> for PlanError {
    fn from(error: ScenarioError) -> Self {
        match error {
            ScenarioError::Syntax { message, place } => Self::Syntax { place, message },
            ScenarioError::Value { key, message } => Self::Value { key: format!("scenario.{key}"), message },
        }
    }
}

fn refuse<T>(key: &str, message: String) -> Result<T, PlanError> {
    Err(PlanError::Value { key: key.to_owned(), message })
}

/// One value, a list, or an even range.
#[derive(Clone, Debug, Deserialize)]
#[serde(
    untagged,
    expecting = "expected a number, a list of numbers, or a range { from = 1, to = 9, step = 2 }"
)]
enum Values {
    One(f64),
    List(Vec<f64>),
    Range(Span),
}

/// One way to read the counter, or several.
#[derive(Clone, Debug, Deserialize)]
#[serde(
    untagged,
    expecting = "expected \"first-sample\", \"last-sample\", \"enqueue\" or \"radio-event\", or a list of them"
)]
enum Stamps {
    One(TickStamp),
    List(Vec<TickStamp>),
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Span {
    from: f64,
    to: f64,
    step: f64,
}

impl Values {
    /// All of them, each in `low..=high`.
    fn all(&self, key: &str, low: f64, high: f64) -> Result<Vec<f64>, PlanError> {
        const MOST: usize = 10_000;
        let values = match self {
            Self::One(value) => vec![*value],
            Self::List(values) => values.clone(),
            Self::Range(Span { from, to, step }) => {
                if !(*step > 0.0 && from <= to && (to - from) / step < MOST as f64) {
                    return refuse(
                        key,
                        format!(
                            "expected from ≤ to and a step above 0, at most {MOST} values, found {from} to {to} by {step}"
                        ),
                    );
                }
                let count = ((to - from) / step + 1e-9).floor() as usize;
                (0..=count).map(|place| from + place as f64 * step).collect()
            }
        };
        if values.is_empty() || values.len() > MOST {
            return refuse(key, format!("expected 1 to {MOST} values, found {}", values.len()));
        }
        match values.iter().find(|value| !(low..=high).contains(*value)) {
            Some(value) => refuse(key, format!("expected {low} to {high}, found {value}")),
            None => Ok(values),
        }
    }

    fn whole(&self, key: &str, low: u32, high: u32) -> Result<Vec<u32>, PlanError> {
        let values = self.all(key, f64::from(low), f64::from(high))?;
        match values.iter().find(|value| value.fract() != 0.0) {
            Some(value) => refuse(key, format!("expected whole numbers, found {value}")),
            None => Ok(values.into_iter().map(|value| value as u32).collect()),
        }
    }

    /// Connection intervals: Bluetooth Core, Vol 6 Part B 4.5.1.
    fn intervals_ms(&self, key: &str) -> Result<Vec<f64>, PlanError> {
        let values = self.all(key, SHORTEST_MS, LONGEST_MS)?;
        match values.iter().find(|value| (*value / STEP_MS).fract() != 0.0) {
            Some(value) => refuse(key, format!("expected multiples of {STEP_MS} ms, found {value}")),
            None => Ok(values),
        }
    }
}

/// Connection intervals of Bluetooth LE, ms: shortest, longest, step (Vol 6 Part B 4.5.1).
pub(super) const SHORTEST_MS: f64 = 7.5;
pub(super) const LONGEST_MS: f64 = 4000.0;
pub(super) const STEP_MS: f64 = 1.25;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    samples_per_packet: Option<Values>,
    dither_samples: Option<Values>,
    interval_ms: Option<Values>,
    octets_per_sample: Option<Values>,
    packet_octets: Option<u32>,
    exchange_period_s: Option<Values>,
    tick_stamp: Option<Stamps>,
    reply_dither_ms: Option<f64>,
    grants_ms: Option<Values>,
    error_rate: Option<Values>,
    drift_ppm: Option<Values>,
    session_s: Option<f64>,
    seeds: Option<u64>,
    first_seed: Option<u64>,
    target_ms: Option<f64>,
    #[serde(default)]
    radio: Radio,
    /// Read here for its errors, with their lines; what it says is laid over what the device says.
    #[serde(rename = "scenario")]
    _scenario: Option<Scenario>,
}

impl Plan {
    /// From the text of a plan, laid over what a recording says of its device.
    ///
    /// # Errors
    /// [`PlanError`] with line and column, or with the key.
    pub fn new(text: &str, device: Option<&Description>) -> Result<Self, PlanError> {
        let syntax = |error: toml::de::Error| PlanError::Syntax {
            place: error.span().map(|span| line_and_column(text, span.start)),
            message: error.message().trim_end().to_owned(),
        };
        let file: File = toml::from_str(text).map_err(syntax)?;
        let mut document: toml::Table = text.parse().map_err(syntax)?;
        let mut base = base_of(device);
        if let Some(toml::Value::Table(over)) = document.remove("scenario") {
            let mut table: toml::Table = base.to_toml()?.parse().map_err(|error: toml::de::Error| {
                PlanError::Syntax { place: None, message: error.message().to_owned() }
            })?;
            lay_over(&mut table, over);
            base = table.try_into().map_err(|error: toml::de::Error| PlanError::Value {
                key: "scenario".to_owned(),
                message: error.message().to_owned(),
            })?;
        }
        let session_s = file.session_s.unwrap_or(300.0);
        if !(10.0..=86_400.0).contains(&session_s) {
            return refuse("session_s", format!("expected 10 to 86400, found {session_s}"));
        }
        base.duration_s = session_s;
        base.trials = each_second();
        base.check()?;

        let number = |key: &str, value: Option<f64>, absent: f64, low: f64, high: f64| {
            let value = value.unwrap_or(absent);
            if (low..=high).contains(&value) {
                Ok(value)
            } else {
                refuse(key, format!("expected {low} to {high}, found {value}"))
            }
        };
        let target_ms = number("target_ms", file.target_ms, 1.0, 1e-3, 1e5)?;
        let seeds = file.seeds.unwrap_or(6);
        if !(1..=100_000).contains(&seeds) {
            return refuse("seeds", format!("expected 1 to 100000, found {seeds}"));
        }
        if let Some((key, message)) = file.radio.fault() {
            return refuse(key, message);
        }
        if let Some(ms) = file.reply_dither_ms {
            number("reply_dither_ms", Some(ms), 0.0, 0.0, 10_000.0)?;
        }
        let grants_ms = match &file.grants_ms {
            Some(values) => values.intervals_ms("grants_ms")?,
            None => Vec::new(),
        };
        let usual = base.streams[0].samples_per_packet;
        let samples = match &file.samples_per_packet {
            Some(values) => values.whole("samples_per_packet", 1, 10_000)?,
            None => (usual.saturating_sub(2).max(1)..=usual + 2).collect(),
        };
        let dithers = match &file.dither_samples {
            Some(values) => values.whole("dither_samples", 0, 9_999)?,
            None => vec![0],
        };
        let intervals_ms = match &file.interval_ms {
            Some(values) => values.intervals_ms("interval_ms")?,
            None => {
                let mut usual_ms = vec![15.0, 20.0, 30.0, base.link.interval_ms];
                usual_ms.sort_by(f64::total_cmp);
                usual_ms.dedup();
                usual_ms
            }
        };
        let octets: Vec<Option<u32>> = match &file.octets_per_sample {
            Some(values) => values.whole("octets_per_sample", 1, 514)?.into_iter().map(Some).collect(),
            None => vec![None],
        };
        let packet_octets = file.packet_octets.unwrap_or(0);
        if packet_octets > 514 {
            return refuse("packet_octets", format!("expected 0 to 514, found {packet_octets}"));
        }
        let exchanges_s = match &file.exchange_period_s {
            Some(values) => values.all("exchange_period_s", 0.0, 86_400.0)?,
            None => vec![0.0],
        };
        let stamps = match file.tick_stamp {
            Some(Stamps::One(stamp)) => vec![stamp],
            Some(Stamps::List(stamps)) if stamps.is_empty() => {
                return refuse("tick_stamp", "expected one or more, found none".to_owned());
            }
            Some(Stamps::List(stamps)) => stamps,
            None => vec![base.device.tick_stamp],
        };
        let error_rates = match &file.error_rate {
            Some(values) => values.all("error_rate", 0.0, 1.0)?,
            None => vec![0.05],
        };
        let drifts_ppm = match &file.drift_ppm {
            Some(values) => values.all("drift_ppm", -20_000.0, 20_000.0)?,
            None => vec![-25.0, -10.0, 10.0, 25.0],
        };
        let mut plan = Self {
            base,
            schedules: Vec::new(),
            impossible: Vec::new(),
            conditions: Vec::new(),
            changed_ms: Vec::new(),
            grants_ms,
            first_seed: file.first_seed.unwrap_or(1),
            seeds,
            session_s,
            target_ms,
            own: None,
            packet_octets,
            reply_dither_ms: file.reply_dither_ms,
            radio: file.radio,
        };
        for &error_rate in &error_rates {
            plan.conditions.extend(drifts_ppm.iter().map(|&drift_ppm| Condition { error_rate, drift_ppm }));
        }
        let number = [
            samples.len(),
            dithers.len(),
            intervals_ms.len(),
            octets.len(),
            exchanges_s.len(),
            stamps.len(),
            plan.conditions.len(),
        ];
        let runs = number.iter().fold(seeds as usize, |product, count| product.saturating_mul(*count));
        if runs > MOST_RUNS {
            return refuse("seeds", format!("expected at most {MOST_RUNS} runs in all, found {runs}"));
        }
        for &asked_ms in &intervals_ms {
            let interval_ms = plan.granted_ms(asked_ms);
            if interval_ms != asked_ms && !plan.changed_ms.contains(&(asked_ms, interval_ms)) {
                plan.changed_ms.push((asked_ms, interval_ms));
            }
            for &samples_per_packet in &samples {
                for &dither_samples in &dithers {
                    for &octets_per_sample in &octets {
                        for &exchange_period_s in &exchanges_s {
                            for &tick_stamp in &stamps {
                                plan.add(Schedule {
                                    samples_per_packet,
                                    dither_samples,
                                    interval_ms,
                                    octets_per_sample,
                                    exchange_period_s,
                                    tick_stamp,
                                });
                            }
                        }
                    }
                }
            }
        }
        if device.is_some() {
            let interval_ms = plan.granted_ms(plan.base.link.interval_ms);
            let own = |schedule: &&Schedule| {
                schedule.samples_per_packet == usual
                    && schedule.interval_ms == interval_ms
                    && schedule.dither_samples == 0
                    && schedule.exchange_period_s == 0.0
                    && schedule.tick_stamp == TickStamp::FirstSample
            };
            plan.own = plan.schedules.iter().find(own).copied();
        }
        match plan.impossible.first() {
            Some(Impossible { schedule, why }) if plan.schedules.is_empty() => refuse(
                "samples_per_packet, interval_ms",
                format!("no schedule can be simulated; {}: {why}", plan.name(schedule)),
            ),
            _ => Ok(plan),
        }
    }

    fn add(&mut self, schedule: Schedule) {
        if self.schedules.contains(&schedule)
            || self.impossible.iter().any(|other| other.schedule == schedule)
        {
            return;
        }
        match self.fault(&schedule) {
            Some(why) => self.impossible.push(Impossible { schedule, why }),
            None => self.schedules.push(schedule),
        }
    }

    /// Why a schedule cannot be; none where it can.
    pub fn fault(&self, schedule: &Schedule) -> Option<String> {
        self.conditions
            .iter()
            .find_map(|condition| self.scenario(schedule, condition, self.session_s).check().err())
            .map(|error| error.to_string())
    }

    /// What the phone makes of an interval that it is asked for, ms.
    pub fn granted_ms(&self, asked_ms: f64) -> f64 {
        let longer = self.grants_ms.iter().copied().filter(|&ms| ms >= asked_ms).min_by(f64::total_cmp);
        longer.or(self.grants_ms.iter().copied().max_by(f64::total_cmp)).unwrap_or(asked_ms)
    }

    /// The scenario of one schedule under one condition.
    pub fn scenario(&self, schedule: &Schedule, condition: &Condition, session_s: f64) -> Scenario {
        let mut scenario = self.base.clone();
        scenario.duration_s = session_s;
        scenario.device.offset_ppm = condition.drift_ppm;
        scenario.device.tick_stamp = schedule.tick_stamp;
        scenario.link.error_rate = condition.error_rate;
        scenario.link.interval_ms = schedule.interval_ms;
        let stream = &mut scenario.streams[0];
        stream.samples_per_packet = schedule.samples_per_packet;
        stream.dither_samples = schedule.dither_samples;
        if let Some(octets) = schedule.octets_per_sample {
            let samples = schedule.samples_per_packet.saturating_add(schedule.dither_samples);
            stream.value_octets = samples.saturating_mul(octets).saturating_add(self.packet_octets);
        }
        scenario.exchanges = ExchangeScenario {
            period_s: schedule.exchange_period_s,
            reply_dither_ms: self.reply_dither_ms.unwrap_or(schedule.interval_ms),
            ..scenario.exchanges
        };
        scenario
    }

    /// How the schedule's packets and events beat.
    pub fn beat(&self, schedule: &Schedule) -> Beat {
        Beat::new(
            self.base.streams[0].rate_hz,
            schedule.samples_per_packet,
            schedule.dither_samples,
            schedule.interval_ms,
        )
    }

    /// Whether packets come faster than events, so that several share one.
    pub fn shares_events(&self, schedule: &Schedule) -> bool {
        let shortest = schedule.samples_per_packet.saturating_sub(schedule.dither_samples);
        f64::from(shortest) / self.base.streams[0].rate_hz * 1e3 < schedule.interval_ms
    }

    /// Drift of the headset's clock against the radio's in each condition, ppm, without its sign.
    pub fn drifts_ppm(&self) -> Vec<f64> {
        let mut drifts: Vec<f64> = self
            .conditions
            .iter()
            .map(|condition| (condition.drift_ppm - self.base.link.radio_ppm).abs())
            .collect();
        drifts.sort_by(f64::total_cmp);
        drifts
    }

    /// The drift that at least half of the conditions do not exceed, ppm.
    pub fn usual_drift_ppm(&self) -> f64 {
        let drifts = self.drifts_ppm();
        drifts[(drifts.len() - 1) / 2]
    }

    /// Whether schedules differ in the octets of a sample.
    pub fn octets_vary(&self) -> bool {
        let all = || self.schedules.iter().chain(self.impossible.iter().map(|one| &one.schedule));
        all()
            .any(|schedule| Some(schedule.octets_per_sample) != all().next().map(|one| one.octets_per_sample))
    }

    /// A schedule in words: `10 ± 1 samples, 30 ms, an exchange every 60 s`.
    pub fn name(&self, schedule: &Schedule) -> String {
        let mut name = schedule.samples_per_packet.to_string();
        if schedule.dither_samples > 0 {
            name.push_str(&format!(" ± {}", schedule.dither_samples));
        }
        let plural = if name == "1" { "" } else { "s" };
        name.push_str(&format!(" sample{plural}, {} ms", schedule.interval_ms));
        if let Some(octets) = schedule.octets_per_sample.filter(|_| self.octets_vary()) {
            name.push_str(&format!(", {octets} octets a sample"));
        }
        if schedule.exchange_period_s > 0.0 {
            name.push_str(&format!(", an exchange every {} s", schedule.exchange_period_s));
        }
        if schedule.tick_stamp != TickStamp::FirstSample {
            name.push_str(&format!(", counter read {}", stamp_words(schedule.tick_stamp)));
        }
        name
    }
}

/// When the firmware reads the counter, in words.
pub(super) const fn stamp_words(stamp: TickStamp) -> &'static str {
    match stamp {
        TickStamp::FirstSample => "at the first sample",
        TickStamp::LastSample => "at the last sample",
        TickStamp::Enqueue => "when queued",
        TickStamp::RadioEvent => "at the radio event",
    }
}

/// What a device says of itself, over a scenario's defaults. The fixed delay is known exactly: its error is the same whatever the
/// schedule.
fn base_of(device: Option<&Description>) -> Scenario {
    let mut base = Scenario {
        declare: DeclareScenario { fixed_delay_u_ms: 0.0, ..DeclareScenario::default() },
        ..Scenario::default()
    };
    let Some(device) = device else { return base };
    let clock = &device.device_clock;
    base.device.ticks = clock.tick_hz.is_some();
    if let (Some(tick_hz), Some(tick_bits)) = (clock.tick_hz, clock.tick_bits) {
        (base.device.tick_hz, base.device.tick_bits) = (tick_hz, u32::from(tick_bits));
    }
    base.device.tolerance_ppm = clock.tolerance_ppm;
    base.host.resolution_ns = device.host_clock.resolution_ns;
    if let Some(interval_ms) = device.link.connection_interval_ms {
        base.link.interval_ms = interval_ms;
    }
    if let Some(u_ms) = device.link.fixed_delay_u_ms {
        base.declare.fixed_delay_u_ms = u_ms;
    }
    let usual = base.streams.remove(0);
    base.streams = device
        .streams
        .iter()
        .map(|stream| tickseam_sim::scenario::StreamScenario {
            name: stream.name.clone(),
            rate_hz: stream.rate_hz,
            samples_per_packet: u32::from(stream.samples_per_packet),
            sequence_bits: u32::from(stream.sequence_bits),
            ..usual.clone()
        })
        .collect();
    base
}

/// An event about each second, and no taps.
fn each_second() -> TrialsScenario {
    TrialsScenario {
        start_s: 1.0,
        interval_s: [0.8, 1.2],
        stimuli: vec![Stimulus { response_probability: 0.0, ..Stimulus::default() }],
        ..TrialsScenario::default()
    }
}

/// Lays values over others, table by table; of an array of tables each over the one in its place.
fn lay_over(under: &mut toml::Table, over: toml::Table) {
    for (key, value) in over {
        match (under.get_mut(&key), value) {
            (Some(toml::Value::Table(under)), toml::Value::Table(over)) => lay_over(under, over),
            (Some(toml::Value::Array(under)), toml::Value::Array(over)) if key == "stream" => {
                for (place, value) in over.into_iter().enumerate() {
                    match (under.get_mut(place), value) {
                        (Some(toml::Value::Table(under)), toml::Value::Table(over)) => lay_over(under, over),
                        (_, value) => under.push(value),
                    }
                }
            }
            (_, value) => {
                under.insert(key, value);
            }
        }
    }
}

/// Line and column, both from 1, of a byte offset.
fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    (line, column)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(text: &str) -> String {
        Plan::new(text, None).unwrap_err().to_string()
    }

    #[test]
    fn what_no_plan_can_say_is_refused_with_its_key_or_line() {
        for (text, expected) in [
            ("interval_ms = 16", "interval_ms: expected multiples of 1.25 ms, found 16"),
            ("interval_ms = [15, 5]", "interval_ms: expected 7.5 to 4000, found 5"),
            ("samples_per_packet = 2.5", "samples_per_packet: expected whole numbers, found 2.5"),
            ("samples_per_packet = []", "samples_per_packet: expected 1 to 10000 values, found 0"),
            (
                "drift_ppm = { from = 5, to = 1, step = 1 }",
                "drift_ppm: expected from ≤ to and a step above 0, at most 10000 values, found 5 to 1 by 1",
            ),
            ("error_rate = 1.5", "error_rate: expected 0 to 1, found 1.5"),
            ("session_s = 1", "session_s: expected 10 to 86400, found 1"),
            ("seeds = 0", "seeds: expected 1 to 100000, found 0"),
            ("target_ms = nan", "target_ms: expected 0.001 to 100000, found NaN"),
            ("[radio]\nsending_ma = -1", "radio.sending_ma: expected 0 to 1000, found -1"),
            (
                "seeds = 100000\nerror_rate = { from = 0, to = 0.5, step = 0.01 }",
                "seeds: expected at most 1000000 runs in all, found 306000000",
            ),
            ("[scenario.host]\nloss = 2.0", "scenario.host.loss: expected 0 to 1, found 2"),
        ] {
            assert_eq!(fault(text), expected, "{text}");
        }
        for (text, place, part) in [
            ("seeds = 3\nintervals = 4\n", "line 2, column 1: ", "unknown field `intervals`"),
            (
                "seeds = 3\n[scenario.link]\nintervall_ms = 4\n",
                "line 3, column 1: ",
                "unknown field `intervall_ms`",
            ),
            (
                "interval_ms = \"15\"",
                "line 1, column 15: ",
                "expected a number, a list of numbers, or a range",
            ),
            ("a b", "line 1, column 3: ", ""),
        ] {
            let fault = fault(text);
            assert!(fault.starts_with(place) && fault.contains(part), "{text}: {fault}");
        }
    }

    #[test]
    fn a_range_holds_both_its_ends() {
        let plan =
            Plan::new("interval_ms = { from = 10, to = 15, step = 1.25 }\nsamples_per_packet = 5", None)
                .unwrap();
        let intervals_ms: Vec<f64> = plan.schedules.iter().map(|schedule| schedule.interval_ms).collect();
        assert_eq!(intervals_ms, [10.0, 11.25, 12.5, 13.75, 15.0]);
    }

    #[test]
    fn the_phone_grants_the_next_longer_interval_else_its_longest() {
        let plan =
            Plan::new("interval_ms = [15, 20, 30, 50]\ngrants_ms = [15, 30]\nsamples_per_packet = 5", None)
                .unwrap();
        let intervals_ms: Vec<f64> = plan.schedules.iter().map(|schedule| schedule.interval_ms).collect();
        assert_eq!(intervals_ms, [15.0, 30.0]);
        assert_eq!(plan.changed_ms, [(20.0, 30.0), (50.0, 30.0)]);
    }

    #[test]
    fn a_schedule_whose_packets_do_not_fit_is_left_out_with_its_cause() {
        let plan = Plan::new("octets_per_sample = 24\nsamples_per_packet = [5, 40]\ninterval_ms = 15", None)
            .unwrap();
        assert_eq!(plan.schedules.len(), 1);
        assert_eq!(plan.impossible[0].why, "stream[0].value_octets: expected 1 to 514, found 960");
        assert_eq!(
            fault("octets_per_sample = 24\nsamples_per_packet = 40\ninterval_ms = 15"),
            "samples_per_packet, interval_ms: no schedule can be simulated; 40 samples, 15 ms: \
             stream[0].value_octets: expected 1 to 514, found 960"
        );
    }

    #[test]
    fn a_recording_gives_the_numbers_that_the_plan_leaves_out() {
        let text = "format = 1\n[device_clock]\ntick_hz = 1000.0\ntick_bits = 24\ntolerance_ppm = 20.0\n\
                    [link]\nconnection_interval_ms = 22.5\n\
                    [[stream]]\nname = \"scalp\"\nrate_hz = 500.0\nsamples_per_packet = 12\nsequence_bits = 8\n";
        let device = Description::from_toml(text, &mut Vec::new()).unwrap();
        let plan = Plan::new(
            "[scenario.link]\nperipheral_latency = 2\n[[scenario.stream]]\nvalue_octets = 40\n",
            Some(&device),
        )
        .unwrap();
        assert_eq!(plan.base.streams[0].rate_hz, 500.0);
        assert_eq!(plan.base.streams[0].value_octets, 40);
        assert_eq!(plan.base.link.peripheral_latency, 2);
        assert_eq!((plan.base.device.tick_hz, plan.base.device.tick_bits), (1000.0, 24));
        assert!(plan.schedules.iter().any(|s| s.samples_per_packet == 12 && s.interval_ms == 22.5));
        assert!(plan.schedules.iter().all(|s| (10..=14).contains(&s.samples_per_packet)));
    }
}
