//! Many recordings made from each capture, each with its truth: pieces, slower devices, losses, coarse stamps, other clocks, other declarations.
//!
//! No capture tells how another one of its kind comes out; what is cut from it in hundreds of ways tells a little of that. What a cut declares
//! is true of the cut, unless its family is named after what is wrong. The fixed delay is the least one of the packets that are in
//! it, as if it were a capture of its own; three families declare it otherwise.
//!
//! All of them, some minutes: `cargo test --release -p tickseam-tests --test hardware cuts -- --ignored --nocapture`

mod families;
mod judge;

use std::collections::BTreeMap;

use tickseam_record::{
    Description, DeviceClock, Event, Exchange, HostClock, Link, Marker, Packet, Packets, Recording, Stream,
};
use tickseam_tests::{Random, on_all_cores};

use super::{Capture, FILES, Row, capture, folder};
use judge::{Verdict, table};

/// What is said of the fixed delay.
#[derive(Clone, Copy)]
enum Delay {
    /// The least one of the packets of the cut, for certain.
    Least,
    /// The least one of the whole capture, for certain.
    LeastOfCapture,
    /// Too little by one standard uncertainty of so many ms, and that uncertainty.
    Uncertain(f64),
}

/// What both clocks saw besides.
#[derive(Clone, Copy)]
enum Sighted {
    Nothing,
    /// A marker each so many samples, seen by the host within so many ms.
    Markers(usize, f64),
    /// An exchange each so many samples: the reply takes as long as the packet sent then, the request as long as another packet.
    Exchanges(usize),
}

/// A recording to be made from a capture.
#[derive(Clone)]
struct Cut<'a> {
    capture: &'a Capture,
    family: &'static str,
    what: String,
    /// Packets: their number on the device's count, when their first sample truly was, when they came.
    rows: Vec<Row>,
    /// True instants of samples: when on the device's clock, s, and on the host's.
    instants: Vec<(f64, i64)>,
    /// From one packet to the next on the device's clock, s.
    period_s: f64,
    samples: u16,
    streams: u8,
    sequence_bits: u8,
    /// By what share the nominal rate of the device is wrong.
    rate_off: f64,
    tick_hz: Option<f64>,
    tolerance_ppm: f64,
    interval_ms: Option<f64>,
    resolution_ns: f64,
    delay: Delay,
    sighted: Sighted,
    seed: u64,
}

impl<'a> Cut<'a> {
    /// The whole capture as it is.
    fn whole(capture: &'a Capture) -> Self {
        let instants =
            capture.rows.iter().map(|row| (row.sequence as f64 * capture.period_s, row.true_ns)).collect();
        Self {
            capture,
            family: "whole",
            what: String::new(),
            rows: capture.rows.clone(),
            instants,
            period_s: capture.period_s,
            samples: 1,
            streams: 1,
            sequence_bits: 16,
            rate_off: 0.0,
            tick_hz: None,
            tolerance_ppm: 50.0,
            interval_ms: None,
            resolution_ns: 10.0,
            delay: Delay::Least,
            sighted: Sighted::Nothing,
            seed: 1,
        }
    }

    fn named(mut self, family: &'static str, what: String) -> Self {
        self.family = family;
        self.what = if self.what.is_empty() { what } else { format!("{}, {what}", self.what) };
        self
    }

    /// The samples from `from` to before `to`.
    fn piece(&self, from: usize, to: usize) -> Self {
        let mut cut = self.clone();
        cut.rows = self.rows[from..to].to_vec();
        let first_s = cut.rows[0].sequence as f64 * self.period_s;
        let last_s = cut.rows[cut.rows.len() - 1].sequence as f64 * self.period_s;
        cut.instants.retain(|&(device_s, _)| device_s >= first_s && device_s <= last_s);
        let seconds = (to - from) as f64 * self.period_s;
        cut.what = if to - from == self.capture.rows.len() {
            "whole".to_owned()
        } else {
            format!("{seconds:.0} s from row {from}")
        };
        cut
    }

    /// A device that sends each `every`-th packet alone.
    fn slower(mut self, every: usize, from: usize) -> Self {
        self.rows = self.rows.iter().copied().skip(from).step_by(every).collect();
        for row in &mut self.rows {
            row.sequence = row.sequence.div_euclid(every as i64);
        }
        self.period_s *= every as f64;
        // What is left over of the division moves the device's clock against the count.
        let first = self.rows[0];
        let at_s = self.instants.iter().find(|&&(_, ns)| ns == first.true_ns).unwrap().0;
        let move_s = first.sequence as f64 * self.period_s - at_s;
        self.instants.iter_mut().for_each(|(device_s, _)| *device_s += move_s);
        self.trimmed()
    }

    /// A device that puts `samples` samples into a packet and sends it when the last was taken.
    fn merged(mut self, samples: usize) -> Self {
        let first = self.rows[0].sequence;
        let first_s = first as f64 * self.period_s;
        self.rows = self
            .rows
            .chunks_exact(samples)
            .enumerate()
            .map(|(number, chunk)| Row {
                sequence: number as i64,
                true_ns: chunk[0].true_ns,
                arrival_ns: chunk[samples - 1].arrival_ns,
            })
            .collect();
        self.instants.iter_mut().for_each(|(device_s, _)| *device_s -= first_s);
        self.period_s *= samples as f64;
        self.samples = u16::try_from(samples).unwrap();
        self.trimmed()
    }

    /// The same without the packets that `lost` names.
    fn without(mut self, mut lost: impl FnMut(usize) -> bool) -> Self {
        for (place, row) in self.rows.iter_mut().enumerate() {
            if lost(place) {
                row.arrival_ns = None;
            }
        }
        self.trimmed()
    }

    /// A host whose clock runs `ppm` faster.
    fn host_clock(mut self, ppm: f64) -> Self {
        let scaled = |ns: i64| ns + (ns as f64 * ppm * 1e-6).round() as i64;
        for row in &mut self.rows {
            (row.true_ns, row.arrival_ns) = (scaled(row.true_ns), row.arrival_ns.map(scaled));
        }
        self.instants.iter_mut().for_each(|(_, ns)| *ns = scaled(*ns));
        self
    }

    /// Nothing is asked before the first packet's first sample and after the last one's.
    fn trimmed(mut self) -> Self {
        let received = |row: &&Row| row.arrival_ns.is_some();
        let first = self.rows.iter().find(received).unwrap().true_ns;
        let last = self.rows.iter().rev().find(received).unwrap().true_ns;
        self.instants.retain(|&(_, ns)| (first..=last).contains(&ns));
        self
    }

    fn least_delay_ms(rows: &[Row]) -> f64 {
        let delays = rows.iter().filter_map(|row| Some(row.arrival_ns? - row.true_ns));
        delays.min().unwrap() as f64 / 1e6
    }

    /// Host stamps are rounded down.
    fn stamp(&self, ns: i64) -> i64 {
        let step = (self.resolution_ns / 10.0).max(1.0) * 10.0;
        ((ns as f64 / step).floor() * step).floor() as i64
    }

    fn tick(&self, device_s: f64) -> Option<u64> {
        // The counter does not begin with the first sample.
        self.tick_hz.map(|hz| ((device_s + 1_000.3) * hz).floor() as u64 & 0xffff_ffff)
    }

    fn link(&self) -> Link {
        let least = Self::least_delay_ms(&self.rows);
        let (fixed_delay_ms, u_ms) = match self.delay {
            Delay::Least => (least, 0.0),
            Delay::LeastOfCapture => (Self::least_delay_ms(&self.capture.rows), 0.0),
            Delay::Uncertain(u_ms) => ((least - u_ms).max(0.0), u_ms),
        };
        Link {
            fixed_delay_ms: Some(fixed_delay_ms),
            fixed_delay_u_ms: Some(u_ms),
            connection_interval_ms: self.interval_ms,
        }
    }

    fn packets(&self) -> Packets<'static> {
        let (mask, streams) = ((1_i64 << self.sequence_bits) - 1, i64::from(self.streams));
        let received = self.rows.iter().filter_map(|row| Some((row, row.arrival_ns?)));
        let mut packets: Vec<Packet> = received
            .map(|(row, host_ns)| Packet {
                host_ns: self.stamp(host_ns),
                stream: u8::try_from(row.sequence.rem_euclid(streams)).unwrap(),
                sequence: u32::try_from(row.sequence.div_euclid(streams) & mask).unwrap(),
                tick: self.tick(row.sequence as f64 * self.period_s),
                samples: self.samples,
            })
            .collect();
        packets.sort_by_key(|packet| packet.host_ns);
        packets.into_iter().collect()
    }

    fn markers(&self) -> Vec<Marker> {
        let Sighted::Markers(every, within_ms) = self.sighted else { return Vec::new() };
        let mut random = Random::seeded(self.seed);
        let seen = self.instants.iter().skip(every / 2).step_by(every);
        seen.map(|&(device_s, ns)| Marker {
            host_ns: self.stamp(ns + ((random.uniform() * 2.0 - 1.0) * within_ms * 1e6) as i64),
            tick: self.tick(device_s).unwrap(),
        })
        .collect()
    }

    fn exchanges(&self) -> Vec<Exchange> {
        let Sighted::Exchanges(every) = self.sighted else { return Vec::new() };
        let mut random = Random::seeded(self.seed);
        let delay_ns = |row: &Row| Some(row.arrival_ns? - row.true_ns);
        let delays: Vec<i64> = self.rows.iter().filter_map(delay_ns).collect();
        let answered = self.rows.iter().skip(every / 2).step_by(every);
        let answered = answered.filter_map(|row| Some((row, row.arrival_ns?)));
        answered
            .map(|(row, destination_ns)| {
                let there_ns = delays[(random.uniform() * delays.len() as f64) as usize];
                let tick = self.tick(row.sequence as f64 * self.period_s).unwrap();
                Exchange {
                    origin_ns: self.stamp(row.true_ns - there_ns),
                    receive_tick: tick,
                    transmit_tick: tick,
                    destination_ns: self.stamp(destination_ns),
                }
            })
            .collect()
    }

    fn recording(&self) -> Recording {
        let stream = |number: u8| Stream {
            name: format!("samples{number}"),
            rate_hz: f64::from(self.samples)
                / (self.period_s * f64::from(self.streams) * (1.0 + self.rate_off)),
            samples_per_packet: self.samples,
            sequence_bits: self.sequence_bits,
        };
        let event = |&(_, ns): &(f64, i64)| Event {
            host_ns: self.stamp(ns),
            label: "sample".to_owned(),
            duration_ms: None,
        };
        Recording {
            description: Description {
                device_clock: DeviceClock {
                    tick_hz: self.tick_hz,
                    tick_bits: self.tick_hz.map(|_| 32),
                    tolerance_ppm: self.tolerance_ppm,
                },
                host_clock: HostClock { resolution_ns: self.resolution_ns },
                link: self.link(),
                streams: (0..self.streams).map(stream).collect(),
                event_latency: BTreeMap::new(),
            },
            packets: self.packets(),
            events: self.instants.iter().map(event).collect(),
            exchanges: self.exchanges(),
            markers: self.markers(),
            truth: None,
            notes: Vec::new(),
        }
    }

    /// Where the events truly are on the timeline of the first stream, s.
    fn onsets_s(&self) -> Vec<f64> {
        let of_reference =
            |row: &&Row| row.arrival_ns.is_some() && row.sequence.rem_euclid(i64::from(self.streams)) == 0;
        let first_s = self.rows.iter().find(of_reference).unwrap().sequence as f64 * self.period_s;
        self.instants.iter().map(|&(device_s, _)| (device_s - first_s) * (1.0 + self.rate_off)).collect()
    }
}

/// A whole capture as a recording of one sample a packet and no tick, with an event at each true sample.
pub(super) fn recording(capture: &Capture, sequence_bits: u8, interval_ms: Option<f64>) -> Recording {
    Cut { sequence_bits, interval_ms, ..Cut::whole(capture) }.recording()
}

/// Of so many recordings of a family one of the two ways is known to hold less than 95 %, or to miss by more than three times its interval:
/// in all cuts, and in the few.
///
/// - Live, a wrong nominal rate of a slow stream is told from the beat only once half a minute or more has come.
/// - A link that loses packets and delivers none late is taken for one that never sends again and has no grid. Where an app loses packets of a
///   connection that is locked to them, that is wrong, and nothing in the arrivals tells the two apart: the three Bluetooth LE captures show it.
/// - One cut of a Wi-Fi link, two and a half minutes of each second packet, or of packets merged by twos, holds 69 %: 1.6 times its interval off; one
///   of exchanges beside an uncertain delay misses by a little. Not traced.
/// - The others have not been traced: a declared interval near to the true one, live, or of no part of it; a counter whose step divides the
///   packets' period, so that all ticks are rounded alike.
fn known_to_miss(family: &str) -> (usize, usize) {
    match family {
        "wrong nominal rate" => (34, 6),
        "slower device, random losses" => (3, 1),
        "slower device" | "samples merged" | "exchanges, delay ± 5 ms" => (1, 0),
        "wrong interval" => (2, 1),
        "ticks" => (1, 1),
        _ => (0, 0),
    }
}

/// Examines cuts that begin at so many places, with chance drawn so often; `known` is how many of a family may miss.
fn examine(starts: usize, seeds: u64, known: impl Fn(&str) -> usize) {
    let Some(folder) = folder() else { return };
    let captures: Vec<Capture> = FILES.iter().map(|name| capture(&folder, name)).collect();
    let cuts: Vec<Cut<'_>> =
        captures.iter().flat_map(|capture| families::all(capture, starts, seeds)).collect();
    let verdicts = on_all_cores(&cuts, Verdict::of);
    table(&verdicts, "family", |verdict| verdict.family);
    table(&verdicts, "capture", |verdict| verdict.capture);
    let every_line = std::env::var_os("TICKSEAM_CUTS").is_some();
    let mut missed: BTreeMap<&str, usize> = BTreeMap::new();
    for verdict in &verdicts {
        let misses = verdict.fails(0.95, 3.0);
        if misses || every_line {
            println!("{}", verdict.line());
        }
        *missed.entry(verdict.family).or_default() += usize::from(misses);
        // Whatever was declared wrongly, the replay looks at all of it before it says anything.
        if known(verdict.family) == 0 {
            assert!(verdict.rate_held >= 0.95, "{}", verdict.line());
        }
    }
    for (family, missed) in missed {
        assert!(missed <= known(family), "{family}: {missed} recordings missed");
    }
}

#[test]
fn intervals_hold_the_truth_in_cuts_of_every_capture() {
    examine(2, 1, |family| known_to_miss(family).1);
}

/// `TICKSEAM_CUTS=1` prints a line for each recording, and not only for those that miss.
#[test]
#[ignore = "as the test before, of all cuts"]
fn intervals_hold_the_truth_in_all_cuts_of_every_capture() {
    examine(9, 3, |family| known_to_miss(family).0);
}
