//! What is known while packets come in: the core's live session, fed row by row, and its state as a line for people or machines.
//!
//! `rows of packets.csv → Follower → State → line, JSON`, one direction. **Now** is the host stamp of the newest row: no wall clock is
//! read, so the same rows give the same states, however they were cut into pieces on their way.
//!
//! Only packets are heard: exchanges and markers are not.
//!
//! # The keys of a JSON line
//! The keys are the fields of [`State`] and [`StreamState`] by the same names. A number that is not known is `null`. Readers should pass
//! over keys that they do not know.

use serde::Serialize;
use tickseam::intake::{Disposition, PacketStamp, StreamConfig};
use tickseam::placement::Shift;
use tickseam::session::{Knowledge, Session, SessionConfig, TickCounter};
use tickseam_record::{Description, Packet};

use crate::resolve::stream_config;

/// Most streams that are followed.
pub const STREAMS: usize = 16;

/// Silence of the reference stream after which the clock counts as held over, ns (own choice: packets that a link sends again come within
/// it). Doubled: the word comes later; the numbers are the same.
pub const SILENCE_NS: i64 = 2_000_000_000;

/// What is known, in a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// Fewer than two packets of the reference stream that agree: nothing can be placed.
    Waiting,
    /// The first packets: bounded by the declared tolerance and the usual delays only.
    Cold,
    /// The device restarted, and its reference stream has no place in the new segment yet.
    Settling,
    /// Blocks of arrivals bound the clock.
    Tracking,
    /// They did, and for some time no packet of the reference stream has come in time: two seconds, or so long that half the interval
    /// comes from it (holdover, ITU-T G.810).
    Holdover,
}

impl Phase {
    /// The word.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Cold => "cold",
            Self::Settling => "settling",
            Self::Tracking => "tracking",
            Self::Holdover => "holdover",
        }
    }
}

/// How a session stands at one instant of the host's clock.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct State {
    /// The instant, ns on the host's clock; `null` before the first row.
    pub host_ns: Option<i64>,
    /// Since the first row, s by the host's stamps.
    pub elapsed_s: f64,
    /// What is known, in a word.
    pub state: Phase,
    /// Segment that an event of now is placed on, from 0.
    pub segment: Option<u32>,
    /// Times that the device's counters restarted.
    pub restarts: u32,
    /// Where an event stamped now falls, s on the segment's timeline: from the first sample of the first packet of the reference stream
    /// that found its place there, at the nominal rate. (`replay` counts from the earliest by sequence.)
    pub onset_s: Option<f64>,
    /// Half-width of its 95 % interval, ms, everything counted but an unknown fixed delay.
    pub u95_ms: Option<f64>,
    /// Of this, what the age of the last packets adds, ms.
    pub holdover_ms: Option<f64>,
    /// Nobody knows the fixed delay: `onset_s` is early by it, and `u95_ms` does not count it.
    pub excludes_fixed_delay: Option<bool>,
    /// Host stamp of the packet that the timeline begins with, ns.
    pub origin_host_ns: Option<i64>,
    /// Offset now, ms: host time since `origin_host_ns` less `onset_s`. It begins near minus the delay of that packet, and falls where the
    /// drift is positive.
    pub offset_ms: Option<f64>,
    /// Drift, ppm; positive = the headset's clock runs fast against the phone's.
    pub drift_ppm: Option<f64>,
    /// Its standard uncertainty, ppm.
    pub u_drift_ppm: Option<f64>,
    /// Grid of instants that the link delivers at, declared or found, ms.
    pub grid_interval_ms: Option<f64>,
    /// Longest stretch of the grid's period that no packet falls into, ms: the step of the beat.
    pub beat_ms: Option<f64>,
    /// The device's rate lies outside the declared tolerance.
    pub off_nominal: bool,
    /// Since the newest packet of any stream was stamped, s: 0 in lines that rows bring.
    pub newest_age_s: Option<f64>,
    /// Since the newest packet of the reference stream was stamped, s.
    pub reference_age_s: Option<f64>,
    /// Packets received, over all streams: repeats and refused ones apart.
    pub packets_received: u64,
    /// Packets missing, over all streams and segments; late ones may still come.
    pub packets_missing: u64,
    /// Share of them in all that were sent, 0 to 1.
    pub missing_share: Option<f64>,
    /// Runs of missing packets, over all streams and segments.
    pub gaps: u64,
    /// Packets that had come before.
    pub duplicates: u64,
    /// Packets refused: too late, or with an impossible number.
    pub refused: u64,
    /// The same for each stream, the reference stream first.
    pub streams: Vec<StreamState>,
    /// Nothing comes after this one.
    #[serde(rename = "final")]
    pub is_final: bool,
}

/// What came of one stream, and what did not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct StreamState {
    /// Its name.
    pub name: String,
    /// Packets received: repeats and refused ones apart.
    pub packets_received: u64,
    /// Packets missing.
    pub packets_missing: u64,
    /// Runs of missing packets.
    pub gaps: u64,
}

/// Runs of missing packets of one stream over its segments.
#[derive(Clone, Copy, Debug, Default)]
struct Gaps {
    segment: u32,
    now: u64,
    before: u64,
}

impl Gaps {
    fn see(&mut self, segment: u32, gaps: u64) {
        if segment != self.segment {
            self.before = self.before.saturating_add(self.now);
            self.segment = segment;
        }
        self.now = gaps;
    }
}

#[derive(Clone, Debug)]
struct Counted {
    name: String,
    received: u64,
    gaps: Gaps,
}

/// A live session of a described device. Memory is bounded, whatever comes.
#[derive(Clone, Debug)]
pub struct Follower {
    live: Session<STREAMS>,
    streams: Vec<Counted>,
    duplicates: u64,
    refused: u64,
    first_ns: Option<i64>,
    newest_ns: Option<i64>,
    reference_ns: Option<i64>,
}

impl Follower {
    /// Has seen nothing yet.
    ///
    /// # Errors
    /// A description that no session can be made of, in words.
    pub fn new(description: &Description) -> Result<Self, String> {
        let streams: Vec<StreamConfig> = description.streams.iter().map(stream_config).collect();
        if streams.len() > STREAMS {
            return Err(format!(
                "key \"stream\": found {} of them, expected at most {STREAMS} to follow",
                streams.len()
            ));
        }
        let live = Session::new(&session_config(description, &streams)).map_err(|error| error.to_string())?;
        let counted = |name: &String| Counted { name: name.clone(), received: 0, gaps: Gaps::default() };
        Ok(Self {
            live,
            streams: description.streams.iter().map(|stream| counted(&stream.name)).collect(),
            duplicates: 0,
            refused: 0,
            first_ns: None,
            newest_ns: None,
            reference_ns: None,
        })
    }

    /// Takes the packet that was received next.
    pub fn observe(&mut self, packet: &Packet) {
        let stream = usize::from(packet.stream);
        let stamp = PacketStamp {
            host_ns: packet.host_ns,
            sequence: packet.sequence.into(),
            tick: packet.tick,
            samples: packet.samples.into(),
        };
        let intaken = self.live.observe_packet(stream, stamp);
        self.first_ns = self.first_ns.or(Some(packet.host_ns));
        self.newest_ns = Some(packet.host_ns);
        match intaken.disposition {
            Disposition::Rejected(_) => self.refused = self.refused.saturating_add(1),
            Disposition::Duplicate => self.duplicates = self.duplicates.saturating_add(1),
            _ => {
                if let Some(counted) = self.streams.get_mut(stream) {
                    counted.received = counted.received.saturating_add(1);
                }
                if stream == 0 {
                    self.reference_ns = Some(packet.host_ns);
                }
            }
        }
        // One stream's packet may settle those of another.
        for (stream, counted) in self.streams.iter_mut().enumerate() {
            if let Some((segment, gaps)) = self.live.gaps(stream) {
                counted.gaps.see(segment, gaps);
            }
        }
    }

    /// The session itself.
    pub const fn session(&self) -> &Session<STREAMS> {
        &self.live
    }

    /// Host stamp of the newest row, ns; `None` before the first.
    pub const fn newest_ns(&self) -> Option<i64> {
        self.newest_ns
    }

    /// How it stands at the newest row's stamp.
    pub fn state(&self) -> State {
        self.state_after(0)
    }

    /// How it stands so long after the newest row's stamp, ns, if nothing came since.
    pub fn state_after(&self, silence_ns: i64) -> State {
        let now_ns = self.newest_ns.map(|newest_ns| newest_ns.saturating_add(silence_ns));
        let since_s = |then_ns: Option<i64>| Some(now_ns?.saturating_sub(then_ns?) as f64 / 1e9);
        let placed = now_ns.and_then(|now_ns| self.live.place(now_ns, Shift::default()));
        let reference_age_s = since_s(self.reference_ns);
        let state = match self.live.knowledge() {
            Knowledge::Nothing => Phase::Waiting,
            _ if self.live.timeline_segment() != Some(self.live.segment()) => Phase::Settling,
            Knowledge::Cold => Phase::Cold,
            Knowledge::Tracking => {
                let silent = reference_age_s.is_some_and(|age_s| age_s * 1e9 > SILENCE_NS as f64);
                let old =
                    |p: &tickseam::session::Placed| p.placement.budget.holdover_us > p.placement.u95_us / 2.0;
                if silent || placed.as_ref().is_some_and(old) { Phase::Holdover } else { Phase::Tracking }
            }
        };
        // On the segment before, there may have been another origin.
        let map = self
            .live
            .map()
            .filter(|_| placed.as_ref().map(|placed| placed.segment) == self.live.timeline_segment());
        let origin_host_ns = map.as_ref().map(|map| map.frame.host_origin_ns);
        let onset_s = placed.as_ref().map(|placed| placed.placement.device_s);
        let link = self.live.link();
        let grid_interval_ms = link.interval_us.map(|us| us / 1e3);
        let streams: Vec<StreamState> = self
            .streams
            .iter()
            .enumerate()
            .map(|(stream, counted)| StreamState {
                name: counted.name.clone(),
                packets_received: counted.received,
                packets_missing: self.live.missing_packets(stream).unwrap_or(0),
                gaps: counted.gaps.before.saturating_add(counted.gaps.now),
            })
            .collect();
        let sum = |of: fn(&StreamState) -> u64| streams.iter().map(of).fold(0, u64::saturating_add);
        let (packets_received, packets_missing) =
            (sum(|stream| stream.packets_received), sum(|stream| stream.packets_missing));
        let sent = packets_received.saturating_add(packets_missing);
        State {
            host_ns: now_ns,
            elapsed_s: since_s(self.first_ns).unwrap_or(0.0),
            state,
            segment: placed.as_ref().map(|placed| placed.segment),
            restarts: self.live.segment(),
            onset_s,
            u95_ms: placed.as_ref().and_then(|placed| finite(placed.placement.u95_us / 1e3)),
            holdover_ms: placed.as_ref().and_then(|placed| finite(placed.placement.budget.holdover_us / 1e3)),
            excludes_fixed_delay: placed.as_ref().map(|placed| placed.excludes_fixed_delay),
            origin_host_ns,
            offset_ms: since_s(origin_host_ns)
                .zip(onset_s)
                .and_then(|(host_s, onset_s)| finite((host_s - onset_s) * 1e3)),
            drift_ppm: map.as_ref().and_then(|map| finite(map.drift_ppm())),
            u_drift_ppm: map.as_ref().and_then(|map| finite(map.u_rate_ppm)),
            grid_interval_ms,
            beat_ms: grid_interval_ms.and_then(|_| finite(link.beat_us / 1e3)),
            off_nominal: link.off_nominal,
            newest_age_s: since_s(self.newest_ns),
            reference_age_s,
            packets_received,
            packets_missing,
            missing_share: (sent > 0).then(|| packets_missing as f64 / sent as f64),
            gaps: sum(|stream| stream.gaps),
            duplicates: self.duplicates,
            refused: self.refused,
            streams,
            is_final: false,
        }
    }
}

fn finite(number: f64) -> Option<f64> {
    Some(number).filter(|number| number.is_finite())
}

/// What a session is told of a described device.
fn session_config<'a>(description: &Description, streams: &'a [StreamConfig]) -> SessionConfig<'a> {
    let Description { device_clock, host_clock, link, .. } = description;
    SessionConfig {
        ticks: device_clock.tick_hz.zip(device_clock.tick_bits).map(|(hz, bits)| TickCounter { hz, bits }),
        tolerance_ppm: device_clock.tolerance_ppm,
        host_step_us: host_clock.resolution_ns / 1e3,
        fixed_delay: link
            .fixed_delay_ms
            .map(|ms| Shift { us: ms * 1e3, u_us: link.fixed_delay_u_ms.unwrap_or(0.0) * 1e3 }),
        interval_us: link.connection_interval_ms.map(|ms| ms * 1e3),
        streams,
    }
}

/// When a line is due: each so many nanoseconds of the host's stamps, counted from the first row.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    every_ns: i64,
    /// The first stamp, and how many lines' times had passed at the newest one.
    begun: Option<(i64, i64)>,
}

impl Pace {
    /// A line each so many nanoseconds, at least one.
    pub fn new(every_ns: i64) -> Self {
        Self { every_ns: every_ns.max(1), begun: None }
    }

    /// Whether a row with this stamp brings a line: it is the first, or one is due since the row before, or the stamps went back by more
    /// than a line's time.
    pub fn is_due(&mut self, host_ns: i64) -> bool {
        let Some((first_ns, passed)) = self.begun else {
            self.begun = Some((host_ns, 0));
            return true;
        };
        let now = host_ns.saturating_sub(first_ns).div_euclid(self.every_ns);
        let due = now > passed || now < passed.saturating_sub(1);
        if due {
            self.begun = Some((first_ns, now));
        }
        due
    }
}

/// Name, unit and width of each column of plain lines.
const COLUMNS: [(&str, &str, usize); 13] = [
    ("time", "", 8),
    ("state", "", 8),
    ("offset", "ms", 8),
    ("drift", "ppm", 6),
    ("u", "ppm", 4),
    ("u95", "ms", 6),
    ("lost", "pkts", 5),
    ("lost", "%", 4),
    ("gaps", "", 4),
    ("grid", "ms", 4),
    ("beat", "ms", 4),
    ("seg", "", 3),
    ("age", "s", 3),
];

fn columns<'a>(cells: impl Iterator<Item = &'a str>) -> String {
    let cells = cells.zip(COLUMNS).map(|(cell, (.., width))| format!("{cell:>width$}"));
    cells.collect::<Vec<_>>().join(" ").trim_end().to_owned()
}

/// The two rows above plain lines: what stands in each column, and its unit.
pub fn heading() -> String {
    let names = columns(COLUMNS.iter().map(|(name, ..)| *name));
    let units = columns(COLUMNS.iter().map(|(_, unit, _)| *unit));
    format!("{names}\n{units}\n")
}

/// A plain line of fixed columns, at most 80 characters.
pub fn plain_line(state: &State) -> String {
    let numbers = [
        (state.offset_ms, 2),
        (state.drift_ppm, 2),
        (state.u_drift_ppm, 2),
        (state.u95_ms, 3),
        (Some(state.packets_missing as f64), 0),
        (state.missing_share.map(|share| share * 100.0), 2),
        (Some(state.gaps as f64), 0),
        (state.grid_interval_ms, 2),
        (state.beat_ms, 2),
        (Some(f64::from(state.restarts)), 0),
        (state.reference_age_s, 1),
    ];
    let mut cells = vec![clock(state.elapsed_s), state.state.as_str().to_owned()];
    for ((number, decimals), (.., width)) in numbers.into_iter().zip(COLUMNS.into_iter().skip(2)) {
        cells.push(number.map_or_else(|| "-".to_owned(), |number| fitted(number, width, decimals)));
    }
    columns(cells.iter().map(String::as_str))
}

/// The one line of a terminal so many columns wide, at most 80: what matters less is left out first.
pub fn status_line(state: &State, columns: usize) -> String {
    let columns = columns.min(80);
    let mut parts: Vec<(u8, String)> = Vec::new();
    let mut say = |rank: u8, text: Option<String>| parts.extend(text.map(|text| (rank, text)));
    say(0, Some(state.state.as_str().to_owned()));
    say(1, state.u95_ms.map(|ms| format!("±{} ms", fitted(ms, 7, 2))));
    let age_s = state.reference_age_s.filter(|age_s| *age_s >= 1.0);
    say(2, age_s.map(|age_s| format!("silent {} s", fitted(age_s, 6, 0))));
    say(3, (state.restarts > 0).then(|| format!("restarts {}", state.restarts)));
    say(6, state.offset_ms.map(|ms| format!("offset {} ms", fitted(ms, 10, 2))));
    let drift = state.drift_ppm.zip(state.u_drift_ppm);
    say(4, drift.map(|(drift, u)| format!("drift {} u {} ppm", fitted(drift, 7, 1), fitted(u, 5, 1))));
    let share = state.missing_share.unwrap_or(0.0) * 100.0;
    say(5, Some(format!("lost {} ({} %)", state.packets_missing, fitted(share, 5, 1))));
    say(8, (state.gaps > 0).then(|| format!("gaps {}", state.gaps)));
    let beat = state.beat_ms.zip(state.grid_interval_ms);
    say(7, beat.map(|(beat, grid)| format!("beat {}/{} ms", fitted(beat, 5, 1), fitted(grid, 5, 1))));
    say(9, Some(clock(state.elapsed_s)));
    let joined =
        |parts: &[(u8, String)]| parts.iter().map(|(_, text)| text.as_str()).collect::<Vec<_>>().join("  ");
    while parts.len() > 1 && joined(&parts).chars().count() > columns {
        let least = parts.iter().enumerate().max_by_key(|(_, (rank, _))| *rank).map_or(0, |(place, _)| place);
        parts.remove(least);
    }
    joined(&parts).chars().take(columns).collect()
}

/// A number of at most `decimals` decimals in at most `room` characters: fewer decimals where it is large, `>99…` where it is too large.
fn fitted(number: f64, room: usize, decimals: usize) -> String {
    for decimals in (0..=decimals).rev() {
        let text = format!("{number:.decimals$}");
        let zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
        let text = if zero { text.trim_start_matches('-').to_owned() } else { text };
        if text.len() <= room {
            return text;
        }
    }
    let nines = "9".repeat(room.saturating_sub(if number < 0.0 { 2 } else { 1 }));
    if number < 0.0 { format!("<-{nines}") } else { format!(">{nines}") }
}

/// Seconds as h:mm:ss.
fn clock(seconds: f64) -> String {
    let whole = seconds.abs() as u64;
    let sign = if seconds <= -1.0 { "-" } else { "" };
    let text = format!("{sign}{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60);
    if text.len() > 8 { format!("{sign}{}h", whole / 3600).chars().take(8).collect() } else { text }
}

#[cfg(test)]
mod tests;
