//! The headset: when each packet is sampled and when it is ready to go.

use crate::crystal::TrueClock;
use crate::random::{Purpose, Random};
use crate::scenario::{Fault, Scenario};

/// A time from switching on to switching off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Boot {
    /// Device seconds (never restarting) at the first sample of the reference stream.
    pub(crate) zero_device_s: f64,
    /// Host second of that sample, or before which nothing of this boot exists.
    pub(crate) from_s: f64,
    /// Host second at which it is switched off.
    pub(crate) to_s: f64,
    /// Counter at `zero_device_s`.
    pub(crate) first_tick: u64,
    /// Whether sequence numbers continue the random start (first boot) or begin at 0.
    pub(crate) first: bool,
}

/// One packet of one stream: its place in its boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct PacketId {
    pub(crate) stream: u16,
    pub(crate) boot: u16,
    pub(crate) index: u64,
}

/// A packet that has become ready.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ready {
    pub(crate) id: PacketId,
    pub(crate) ready_s: f64,
}

/// The headset's boots, counters and streams.
pub(crate) struct Device<'a> {
    scenario: &'a Scenario,
    pub(crate) clock: TrueClock,
    pub(crate) boots: Vec<Boot>,
    first_sequences: Vec<u64>,
    /// For each stream that dithers its packets: samples before each packet of a boot. Empty for the others.
    starts: Vec<Vec<u64>>,
    tick_steps: Vec<(f64, f64)>,
    /// Host seconds from which on sequence numbers count anew.
    sequence_restarts_s: Vec<f64>,
}

impl<'a> Device<'a> {
    pub(crate) fn new(scenario: &'a Scenario, seed: u64) -> Device<'a> {
        let clock =
            TrueClock::new(&scenario.device, scenario.duration_s, &mut Random::new(seed, Purpose::Crystal));
        let mut counters = Random::new(seed, Purpose::Counters);
        let random_tick = counters.bits();
        let first_tick = scenario.device.first_tick.unwrap_or(random_tick) & mask(scenario.device.tick_bits);
        let first_sequences = scenario
            .streams
            .iter()
            .map(|stream| {
                let random_sequence = counters.bits();
                scenario.device.first_sequence.unwrap_or(random_sequence) & mask(stream.sequence_bits)
            })
            .collect();

        let mut phase = Random::new(seed, Purpose::Phase);
        let period_s = scenario.streams[0].packet_period_ms() * 1e-3;
        let first_zero_s = phase.uniform() * period_s;
        let mut boots = vec![Boot {
            zero_device_s: first_zero_s,
            from_s: 0.0,
            to_s: f64::INFINITY,
            first_tick,
            first: true,
        }];
        let mut reboots: Vec<(f64, f64)> = scenario
            .faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::Reboot { at_s, off_s } => Some((*at_s, *off_s)),
                _ => None,
            })
            .collect();
        reboots.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (at_s, off_s) in reboots {
            if let Some(last) = boots.last_mut() {
                last.to_s = at_s;
            }
            let on_s = at_s + off_s;
            boots.push(Boot {
                zero_device_s: clock.device_at_host(on_s),
                from_s: on_s,
                to_s: f64::INFINITY,
                first_tick: 0,
                first: false,
            });
        }
        let tick_steps = scenario
            .faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::TickStep { at_s, step_s } => Some((*at_s, *step_s)),
                _ => None,
            })
            .collect();
        let sequence_restarts_s = scenario
            .faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::Disconnection { at_s, off_s, .. } => Some(at_s + off_s),
                _ => None,
            })
            .filter(|_| scenario.device.sequence_per_connection)
            .collect();
        let starts = starts(scenario, &clock, seed);
        Device { scenario, clock, boots, first_sequences, starts, tick_steps, sequence_restarts_s }
    }

    /// Seconds, on the device's nominal timeline, from the boot's zero to a packet's first sample.
    pub(crate) fn nominal_s(&self, id: PacketId) -> f64 {
        let stream = &self.scenario.streams[usize::from(id.stream)];
        stream.start_ms * 1e-3 + self.sample_count(id) / self.rate_hz(id.stream)
    }

    /// Samples of a stream in a second of the counter.
    pub(crate) fn rate_hz(&self, stream: u16) -> f64 {
        self.scenario.streams[usize::from(stream)].rate_hz * (1.0 + self.scenario.device.sample_ppm * 1e-6)
    }

    fn sample_count(&self, id: PacketId) -> f64 {
        self.samples_before(id) as f64
    }

    /// Samples of its boot before a packet's first.
    pub(crate) fn samples_before(&self, id: PacketId) -> u64 {
        let stream = &self.scenario.streams[usize::from(id.stream)];
        let starts = &self.starts[usize::from(id.stream)];
        match starts.get(id.index as usize) {
            Some(samples) => *samples,
            None => id.index * u64::from(stream.samples_per_packet),
        }
    }

    /// Samples in a packet.
    pub(crate) fn samples(&self, id: PacketId) -> u32 {
        let starts = &self.starts[usize::from(id.stream)];
        let at = id.index as usize;
        match (starts.get(at), starts.get(at + 1)) {
            (Some(from), Some(to)) => (to - from) as u32,
            _ => self.scenario.streams[usize::from(id.stream)].samples_per_packet,
        }
    }

    /// Host second of a packet's first sample.
    pub(crate) fn first_sample_s(&self, id: PacketId) -> f64 {
        let boot = &self.boots[usize::from(id.boot)];
        self.clock.host_at_device(boot.zero_device_s + self.nominal_s(id))
    }

    /// Sequence number that a packet carries.
    pub(crate) fn sequence(&self, id: PacketId) -> u64 {
        let stream = usize::from(id.stream);
        let start = if self.boots[usize::from(id.boot)].first { self.first_sequences[stream] } else { 0 };
        let anew = self.sequence_restarts_s.iter().map(|&at_s| self.first_index(id, at_s));
        let number = match anew.filter(|first| (1..=id.index).contains(first)).max() {
            Some(first) => id.index - first,
            None => start.wrapping_add(id.index),
        };
        number & mask(self.scenario.streams[stream].sequence_bits)
    }

    /// Index of the first packet of a stream and boot that is ready from a host second on, jitter aside.
    fn first_index(&self, id: PacketId, from_s: f64) -> u64 {
        let stream = &self.scenario.streams[usize::from(id.stream)];
        let last_sample_s = from_s - self.scenario.device.processing_ms * 1e-3;
        let since_s =
            self.clock.device_at_host(last_sample_s) - self.boots[usize::from(id.boot)].zero_device_s;
        let samples = (since_s - stream.start_ms * 1e-3) * self.rate_hz(id.stream);
        let starts = &self.starts[usize::from(id.stream)];
        if starts.is_empty() {
            let usual = f64::from(stream.samples_per_packet);
            ((samples - usual + 1.0) / usual).ceil().max(0.0) as u64
        } else {
            starts[1..].partition_point(|&end| ((end - 1) as f64) < samples) as u64
        }
    }

    /// Counter that a packet carries: the count at its first sample, rounded down.
    pub(crate) fn packet_tick(&self, id: PacketId) -> u64 {
        let stream = &self.scenario.streams[usize::from(id.stream)];
        let tick_hz = self.scenario.device.tick_hz;
        // Multiplied before divided, so that a whole number of ticks comes out whole.
        let ticks =
            stream.start_ms * tick_hz / 1e3 + self.sample_count(id) * tick_hz / self.rate_hz(id.stream);
        self.counter(id.boot, ticks, self.first_sample_s(id))
    }

    /// Counter at a packet's last sample, rounded down.
    pub(crate) fn last_sample_tick(&self, id: PacketId) -> u64 {
        self.boot_tick(id.boot, self.last_sample_s(id))
    }

    /// Host second of a packet's last sample.
    fn last_sample_s(&self, id: PacketId) -> f64 {
        let span_s = f64::from(self.samples(id) - 1) / self.rate_hz(id.stream);
        let boot = &self.boots[usize::from(id.boot)];
        self.clock.host_at_device(boot.zero_device_s + self.nominal_s(id) + span_s)
    }

    /// Counter of a boot at a host second, rounded down.
    pub(crate) fn boot_tick(&self, boot: u16, host_s: f64) -> u64 {
        let since_s = self.clock.device_at_host(host_s) - self.boots[usize::from(boot)].zero_device_s;
        self.counter(boot, since_s * self.scenario.device.tick_hz, host_s)
    }

    /// Counter at a host second, rounded down; none while the device is off.
    pub(crate) fn tick_at(&self, host_s: f64) -> Option<u64> {
        Some(self.boot_tick(self.boot_at(host_s)?, host_s))
    }

    fn counter(&self, boot: u16, ticks: f64, host_s: f64) -> u64 {
        let boot = &self.boots[usize::from(boot)];
        let mut ticks = ticks.floor() as i64;
        for (at_s, step_s) in &self.tick_steps {
            if host_s >= *at_s && *at_s >= boot.from_s {
                ticks += (step_s * self.scenario.device.tick_hz).floor() as i64;
            }
        }
        boot.first_tick.wrapping_add_signed(ticks) & mask(self.scenario.device.tick_bits)
    }

    /// The boot that is on at a host second; none while the device is off.
    pub(crate) fn boot_at(&self, host_s: f64) -> Option<u16> {
        self.boots
            .iter()
            .position(|boot| host_s < boot.to_s && (boot.first || host_s >= boot.from_s))
            .and_then(|place| u16::try_from(place).ok())
    }

    /// Every packet of the session in the order in which it becomes ready.
    pub(crate) fn packets(&self, seed: u64) -> Packets<'_> {
        let mut packets = Packets {
            device: self,
            jitter: Random::new(seed, Purpose::DeviceJitter),
            next: Vec::with_capacity(self.scenario.streams.len()),
            made: vec![0; self.scenario.streams.len()],
        };
        for stream in 0..self.scenario.streams.len() {
            let id = PacketId { stream: stream as u16, boot: 0, index: 0 };
            let first = packets.ready_from(id, f64::MIN);
            packets.next.push(first);
        }
        packets
    }
}

/// Samples before each packet of a boot, up to beyond the session's end, for each stream that dithers; each boot draws alike.
fn starts(scenario: &Scenario, clock: &TrueClock, seed: u64) -> Vec<Vec<u64>> {
    let mut sizes = Random::new(seed, Purpose::PacketSizes);
    let sampling_rate = 1.0 + scenario.device.sample_ppm * 1e-6;
    let longest_s = (scenario.duration_s + 2.0) * clock.fastest_rate() * sampling_rate;
    scenario
        .streams
        .iter()
        .map(|stream| {
            let mut starts = Vec::new();
            if stream.dither_samples == 0 {
                return starts;
            }
            let usual = u64::from(stream.samples_per_packet);
            let most = usual + u64::from(stream.dither_samples);
            let needed = (longest_s * stream.rate_hz) as u64 + 2 * most;
            let mut samples = 0;
            while samples <= needed {
                starts.push(samples);
                let more = sizes.index(2 * stream.dither_samples as usize + 1) as u64;
                samples += usual - u64::from(stream.dither_samples) + more;
            }
            starts.push(samples);
            starts
        })
        .collect()
}

/// The lowest `bits` bits.
pub(crate) fn mask(bits: u32) -> u64 {
    if bits >= 64 { u64::MAX } else { (1 << bits) - 1 }
}

/// Packets of all streams, merged by the time they become ready.
pub(crate) struct Packets<'a> {
    device: &'a Device<'a>,
    jitter: Random,
    next: Vec<Option<Ready>>,
    made: Vec<u64>,
}

impl Packets<'_> {
    /// Packet `id`, or the first of a later boot where this one is switched off before the packet is full.
    fn ready_from(&mut self, mut id: PacketId, earliest_s: f64) -> Option<Ready> {
        let device = self.device;
        let scenario = device.scenario;
        loop {
            let boot = device.boots.get(usize::from(id.boot))?;
            let last_s = device.last_sample_s(id);
            let jitter_s = self.jitter.uniform() * scenario.device.jitter_ms * 1e-3;
            let ready_s = (last_s + scenario.device.processing_ms * 1e-3 + jitter_s).max(earliest_s);
            if ready_s >= boot.to_s {
                id = PacketId { boot: id.boot + 1, index: 0, ..id };
                continue;
            }
            return (ready_s < scenario.duration_s).then_some(Ready { id, ready_s });
        }
    }

    fn soonest(&self) -> Option<usize> {
        let mut best: Option<(usize, f64)> = None;
        for (stream, next) in self.next.iter().enumerate() {
            if let Some(ready) = next
                && best.is_none_or(|(_, ready_s)| ready.ready_s < ready_s)
            {
                best = Some((stream, ready.ready_s));
            }
        }
        best.map(|(stream, _)| stream)
    }

    /// The next packet, if it is ready at `host_s` or before.
    pub(crate) fn take_until(&mut self, host_s: f64) -> Option<Ready> {
        let stream = self.soonest()?;
        let ready = self.next[stream].filter(|ready| ready.ready_s <= host_s)?;
        self.made[stream] += 1;
        let following = PacketId { index: ready.id.index + 1, ..ready.id };
        self.next[stream] = self.ready_from(following, ready.ready_s);
        Some(ready)
    }

    /// Packets taken so far, by stream.
    pub(crate) fn made(&self) -> &[u64] {
        &self.made
    }
}
