//! Where the intake puts every packet, beside where the device made it.

use tickseam_cli::resolve::{NOWHERE, Places};
use tickseam_cli::simulated;
use tickseam_sim::Simulated;
use tickseam_sim::scenario::Fault;
use tickseam_tests::on_all_cores;

use crate::recording::Draw;
use crate::tables::Table;

/// What became of the packets of one recording.
#[derive(Debug)]
pub(crate) struct Placed {
    seed: u64,
    packets: usize,
    /// Segments, and those that there should be.
    segments: [u32; 2],
    /// Packets in another segment than the true one, or with another index than the true one; each is counted once.
    wrong: usize,
    /// Packets without a place that came for the first time.
    nowhere: usize,
    /// The longest silence of any stream, s.
    silence_s: f64,
    /// Over all places: two runs of the same packets that differ in any are told apart by it.
    digest: u64,
    described: String,
}

impl Placed {
    fn as_made(&self) -> bool {
        self.wrong == 0 && self.nowhere == 0 && self.segments[0] == self.segments[1]
    }
}

/// The place of one packet as the device made it: boot, index since the stream's first packet of that boot.
fn truth(draw: &Draw, simulated: &Simulated) -> Vec<(u32, i64)> {
    let mut on_s: Vec<f64> = Vec::new();
    for fault in &draw.scenario.faults {
        if let Fault::Reboot { at_s, off_s } = fault {
            on_s.push(at_s + off_s);
        }
    }
    let clock = &simulated.truth.clock;
    let mut first_s = std::collections::HashMap::new();
    let rows = || simulated.packets.iter().zip(&simulated.truth.first_sample_s);
    // A packet's first sample is taken after its boot; a millisecond is for rounding.
    let boot = |at_s: f64| on_s.iter().filter(|&&on_s| at_s >= on_s - 1e-3).count() as u32;
    for (packet, &at_s) in rows() {
        let first = first_s.entry((packet.stream, boot(at_s))).or_insert(at_s);
        *first = f64::min(*first, at_s);
    }
    let index = |stream: u16, at_s: f64| {
        let period_s = draw.scenario.streams[usize::from(stream)].packet_period_ms() / 1e3;
        let since_s = clock.device_at_host(at_s) - clock.device_at_host(first_s[&(stream, boot(at_s))]);
        (since_s / period_s).round() as i64
    };
    rows().map(|(packet, &at_s)| (boot(at_s), index(packet.stream, at_s))).collect()
}

fn placed(draw: &Draw) -> Placed {
    let fails = |error: &dyn std::fmt::Display| -> ! { panic!("seed {}: {error}", draw.seed) };
    let simulated = draw.simulated().unwrap_or_else(|error| fails(&error));
    let recording = simulated::recording(&simulated).unwrap_or_else(|error| fails(&error));
    let places =
        Places::find(&recording.description, &recording.packets).unwrap_or_else(|error| fails(&error));
    let truth = truth(draw, &simulated);

    let mut seen = std::collections::HashSet::new();
    let mut newest_ns = vec![None; draw.scenario.streams.len()];
    // What is to be added to an index: free where a stream's count begins, and from then on the same.
    let mut shifts = std::collections::HashMap::new();
    let mut placed = Placed {
        seed: draw.seed,
        packets: simulated.packets.len(),
        segments: [0, truth.iter().map(|place| place.0).max().unwrap_or(0) + 1],
        wrong: 0,
        nowhere: 0,
        silence_s: 0.0,
        digest: 0xcbf2_9ce4_8422_2325,
        described: format!(
            "{:.0} min, ticks {}, sequence bits {:?}, P {:?} ms",
            draw.scenario.duration_s / 60.0,
            if draw.scenario.device.ticks { draw.scenario.device.tick_bits } else { 0 },
            draw.scenario.streams.iter().map(|stream| stream.sequence_bits).collect::<Vec<_>>(),
            draw.scenario.streams.iter().map(|stream| stream.packet_period_ms()).collect::<Vec<_>>(),
        ),
    };
    let mut digest = |value: u64| {
        // FNV-1a's step (Fowler, Noll and Vo; constants from memory), over words: only equality matters.
        placed.digest = (placed.digest ^ value).wrapping_mul(0x0100_0000_01b3);
    };
    for row in 0..simulated.packets.len() {
        digest(u64::from(places.segment[row]));
        digest(places.index[row].cast_unsigned());
        digest(places.device[row].cast_unsigned());
    }
    for &(settled, row) in &places.settled_later {
        digest(u64::from(settled) << 32 | u64::from(row));
    }
    for (row, (packet, &(boot, index))) in simulated.packets.iter().zip(&truth).enumerate() {
        let newest_ns = &mut newest_ns[usize::from(packet.stream)];
        let silence_ns = packet.host_ns - newest_ns.unwrap_or(packet.host_ns);
        placed.silence_s = f64::max(placed.silence_s, silence_ns as f64 / 1e9);
        *newest_ns = Some(packet.host_ns);
        let segment = places.segment[row];
        if segment == NOWHERE {
            placed.nowhere += usize::from(!seen.contains(&(packet.stream, boot, index)));
            continue;
        }
        seen.insert((packet.stream, boot, index));
        placed.segments[0] = placed.segments[0].max(segment + 1);
        let shift = places.index[row] - index;
        let right = segment == boot && *shifts.entry((packet.stream, segment)).or_insert(shift) == shift;
        placed.wrong += usize::from(!right);
    }
    placed
}

/// The recordings in which not every packet is where it was made; all with `all`.
pub(crate) fn table(title: &str, draws: &[Draw], all: bool) {
    let headings = [
        "seed",
        "packets",
        "segments",
        "true",
        "wrong",
        "nowhere",
        "longest silence s",
        "digest",
        "what it is",
    ];
    let mut table = Table::new(title, &headings);
    let placed = on_all_cores(draws, placed);
    for placed in placed.iter().filter(|placed| all || !placed.as_made()) {
        table.row(&[
            placed.seed.to_string(),
            placed.packets.to_string(),
            placed.segments[0].to_string(),
            placed.segments[1].to_string(),
            placed.wrong.to_string(),
            placed.nowhere.to_string(),
            format!("{:.2}", placed.silence_s),
            format!("{:016x}", placed.digest),
            placed.described.clone(),
        ]);
    }
    println!("{table}");
    let differ = placed.iter().filter(|placed| !placed.as_made()).count();
    println!("{differ} of {} recordings differ from the truth.\n", placed.len());
}
