//! From bytes to a device, its link and what an app asks: the calls that a live session and a replay get.
//!
//! Most bytes make a headset that sends in order over a link that makes its packets wait; some lose packets, send them again, silence or
//! restart the headset, set the host's clock; and some give stamps that nobody can mean. So a short input already gets past the first
//! blocks of the estimator.

use arbitrary::{Result, Unstructured};
use tickseam::intake::{PacketStamp, StreamConfig};
use tickseam::placement::Shift;
use tickseam::session::{SessionConfig, TickCounter};

/// Packets and other calls that one input makes at the most.
const MOST_STEPS: usize = 2_000;

/// What is known of the device before the first packet, possibly nonsense.
#[derive(Clone, Debug)]
pub struct Known {
    /// See [`SessionConfig::ticks`].
    pub ticks: Option<TickCounter>,
    /// See [`SessionConfig::tolerance_ppm`].
    pub tolerance_ppm: f64,
    /// See [`SessionConfig::host_step_us`].
    pub host_step_us: f64,
    /// See [`SessionConfig::fixed_delay`].
    pub fixed_delay: Option<Shift>,
    /// See [`SessionConfig::interval_us`].
    pub interval_us: Option<f64>,
    /// See [`SessionConfig::streams`].
    pub streams: Vec<StreamConfig>,
}

impl Known {
    /// As the core takes it.
    #[must_use]
    pub fn config(&self) -> SessionConfig<'_> {
        let Self { ticks, tolerance_ppm, host_step_us, fixed_delay, interval_us, ref streams } = *self;
        SessionConfig { ticks, tolerance_ppm, host_step_us, fixed_delay, interval_us, streams }
    }

    /// Bits of the tick counter, where there is one.
    #[must_use]
    pub fn tick_bits(&self) -> Option<u8> {
        self.ticks.map(|ticks| ticks.bits)
    }
}

/// One call.
#[derive(Clone, Copy, Debug)]
pub enum Step {
    /// A packet of a stream came.
    Packet(usize, PacketStamp),
    /// An exchange: origin, receive tick, transmit tick, destination.
    Exchange(i64, u64, u64, i64),
    /// A marker: host stamp and tick.
    Marker(i64, u64),
    /// An event is to be placed.
    Place(i64, Shift),
    /// The host time of a device time is asked for.
    HostAt(f64),
    /// All that can be asked is asked, and the state may be saved here.
    Pause,
}

/// A device with what happens.
#[derive(Clone, Debug)]
pub struct Scene {
    /// What is known of it.
    pub known: Known,
    /// What happens, in this order.
    pub steps: Vec<Step>,
}

impl Scene {
    /// The scene that bytes stand for: any bytes stand for one.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        let mut bytes = Unstructured::new(bytes);
        let known = known(&mut bytes).unwrap_or_else(|_| usual());
        let mut headset = Headset::new(&known);
        let mut steps = Vec::new();
        while !bytes.is_empty() && steps.len() < MOST_STEPS {
            if headset.act(&mut bytes, &mut steps).is_err() {
                break;
            }
        }
        steps.truncate(MOST_STEPS);
        Self { known, steps }
    }
}

fn usual() -> Known {
    Known {
        ticks: Some(TickCounter { hz: 32_768.0, bits: 32 }),
        tolerance_ppm: 50.0,
        host_step_us: 0.001,
        fixed_delay: Some(Shift { us: 22_600.0, u_us: 200.0 }),
        interval_us: None,
        streams: vec![StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 }],
    }
}

/// A number that may be anything, NaN included.
fn any(bytes: &mut Unstructured<'_>) -> Result<f64> {
    Ok(f64::from_bits(bytes.arbitrary()?))
}

fn known(bytes: &mut Unstructured<'_>) -> Result<Known> {
    let mut known = usual();
    // The first byte says how much differs from the usual.
    let differs: u8 = bytes.arbitrary()?;
    if differs & 1 != 0 {
        let hz = *bytes.choose(&[32_768.0, 1_000.0, 1e6, 128.0, 16e6, 0.5, 1e11])?;
        let bits = *bytes.choose(&[16, 24, 32, 48, 63, 64, 15])?;
        known.ticks = bytes.ratio(6, 7)?.then_some(TickCounter { hz, bits });
    }
    if differs & 2 != 0 {
        known.tolerance_ppm = *bytes.choose(&[0.0, 20.0, 1_000.0, 99_980.0, 100_000.0, -1.0])?;
        known.host_step_us = *bytes.choose(&[0.0, 0.001, 1.0, 1_000.0, 976.562_5, 1e6, 2e6])?;
    }
    if differs & 4 != 0 {
        let (us, u_us) = (f64::from(bytes.arbitrary::<i32>()?), f64::from(bytes.arbitrary::<u16>()?));
        known.fixed_delay = bytes.ratio(3, 4)?.then_some(Shift { us, u_us });
    }
    if differs & 8 != 0 {
        let us = *bytes.choose(&[7_500.0, 15_000.0, 20_000.0, 30_000.0, 48_750.0, 100.0, 1e7, 99.0])?;
        known.interval_us = Some(us);
    }
    if differs & 16 != 0 {
        known.streams.clear();
        for _ in 0..bytes.int_in_range(0..=4)? {
            known.streams.push(StreamConfig {
                rate_hz: *bytes.choose(&[250.0, 256.0, 1.0, 1_000.0, 50.0, 20_000.0, 0.01])?,
                samples_per_packet: *bytes.choose(&[1, 2, 5, 10, 60, 1_000, 0])?,
                sequence_bits: *bytes.choose(&[2, 3, 8, 16, 32, 63, 64, 1])?,
            });
        }
    }
    if differs & 32 != 0 {
        // One field that may hold any bits at all.
        let value = any(bytes)?;
        match bytes.int_in_range(0..=5)? {
            0 => known.tolerance_ppm = value,
            1 => known.host_step_us = value,
            2 => known.interval_us = Some(value),
            3 => known.fixed_delay = Some(Shift { us: value, u_us: 0.0 }),
            4 => known.fixed_delay = Some(Shift { us: 0.0, u_us: value }),
            _ => known.ticks = Some(TickCounter { hz: value, bits: 32 }),
        }
    }
    Ok(known)
}

/// A sensible device and its link.
struct Headset {
    streams: Vec<StreamConfig>,
    tick_bits: u32,
    tick_hz: f64,
    ticked: bool,
    period_s: f64,
    /// Packet number since the counters last started.
    number: i64,
    /// Device seconds at number 0.
    started_s: f64,
    first_tick: u64,
    /// Host seconds gained per device second, ppm.
    rate_ppm: f64,
    host_origin_ns: i64,
    /// Period of the instants at which the link delivers, s; 0 for none.
    grid_s: f64,
    /// What the link holds every packet back by, s.
    held_s: f64,
    /// Scatter of the delays, s.
    scatter_s: f64,
}

impl Headset {
    fn new(known: &Known) -> Self {
        let first = known.streams.first().copied();
        let period_s = first.map_or(0.02, |stream| f64::from(stream.samples_per_packet) / stream.rate_hz);
        let ticks = known.ticks.unwrap_or(TickCounter { hz: 0.0, bits: 32 });
        Self {
            streams: known.streams.clone(),
            tick_bits: u32::from(ticks.bits),
            tick_hz: ticks.hz,
            ticked: known.ticks.is_some(),
            period_s: if period_s.is_finite() && period_s > 0.0 { period_s } else { 0.02 },
            number: 0,
            started_s: 0.0,
            first_tick: 0,
            rate_ppm: 0.0,
            host_origin_ns: 7_000_000_000,
            grid_s: known.interval_us.map_or(0.0, |us| us * 1e-6),
            held_s: 0.02,
            scatter_s: 0.0,
        }
    }

    fn device_s(&self, number: i64) -> f64 {
        self.started_s + number as f64 * self.period_s
    }

    /// Host time of a device time, ns: saturates.
    fn host_ns(&self, device_s: f64) -> i64 {
        let ns = device_s * (1.0 + self.rate_ppm * 1e-6) * 1e9;
        self.host_origin_ns.saturating_add(ns as i64)
    }

    fn tick(&self, device_s: f64) -> u64 {
        let mask = u64::MAX >> 64_u32.saturating_sub(self.tick_bits.clamp(1, 64));
        self.first_tick.wrapping_add((device_s * self.tick_hz) as i64 as u64) & mask
    }

    fn packet(&self, number: i64, stream: usize) -> Step {
        let device_s = self.device_s(number);
        let of = self.streams.get(stream).copied();
        let bits = of.map_or(16, |of| u32::from(of.sequence_bits)).clamp(1, 64);
        let scattered_s = number.wrapping_mul(0x9E37_79B9).rem_euclid(1_000) as f64 * 1e-3 * self.scatter_s;
        let mut host_s = device_s * (1.0 + self.rate_ppm * 1e-6) + self.held_s + scattered_s;
        if self.grid_s > 1e-6 {
            host_s = (host_s / self.grid_s).ceil() * self.grid_s;
        }
        let stamp = PacketStamp {
            host_ns: self.host_origin_ns.saturating_add((host_s * 1e9) as i64),
            sequence: number.cast_unsigned() & (u64::MAX >> (64 - bits)),
            tick: self.ticked.then(|| self.tick(device_s)),
            samples: of.map_or(5, |of| of.samples_per_packet),
        };
        Step::Packet(stream, stamp)
    }

    /// Packets in a row, those of the other streams between them.
    fn send(&mut self, count: u32, steps: &mut Vec<Step>) {
        for _ in 0..count {
            for stream in 0..self.streams.len().max(1) {
                if stream == 0 || self.number % (stream as i64 + 1) == 0 {
                    steps.push(self.packet(self.number, stream));
                }
            }
            self.number += 1;
        }
    }

    fn act(&mut self, bytes: &mut Unstructured<'_>, steps: &mut Vec<Step>) -> Result<()> {
        let now_s = self.device_s(self.number);
        match bytes.arbitrary::<u8>()? % 20 {
            0..=3 => {
                let count = bytes.arbitrary::<u8>()?;
                self.send(u32::from(count) + 1, steps);
            }
            4 => {
                let short: u8 = bytes.arbitrary()?;
                let lost = if short < 128 { i64::from(short) } else { i64::from(bytes.arbitrary::<u16>()?) };
                self.number = self.number.saturating_add(lost);
            }
            5 => {
                let back: u8 = bytes.arbitrary()?;
                let stream = usize::from(back >> 6);
                steps.push(self.packet(self.number.saturating_sub(i64::from(back & 63)), stream));
            }
            6 => {
                // Two packets the wrong way round, each with its own stamp or both with the other's.
                steps.push(self.packet(self.number + 1, 0));
                steps.push(self.packet(self.number, 0));
                self.number += 2;
            }
            7 => {
                // Silence: device and host go on, nothing comes.
                let seconds = f64::from(bytes.arbitrary::<u16>()?);
                self.started_s += seconds * *bytes.choose(&[1e-3, 0.1, 10.0])?;
            }
            8 => {
                self.started_s = now_s + f64::from(bytes.arbitrary::<u8>()?) * 0.1;
                self.number = i64::from(bytes.arbitrary::<u8>()? % 8);
                self.started_s -= self.number as f64 * self.period_s;
                let at: u32 = bytes.arbitrary()?;
                self.first_tick = u64::from(at).wrapping_sub((self.started_s * self.tick_hz) as i64 as u64);
            }
            9 => {
                // The host's clock is set.
                let by: i32 = bytes.arbitrary()?;
                let unit = *bytes.choose(&[1_000, 1_000_000, 1_000_000_000])?;
                self.host_origin_ns = self.host_origin_ns.saturating_add(i64::from(by).saturating_mul(unit));
            }
            10 => {
                // Another rate from here on, the host's time being what it is.
                let ppm = f64::from(bytes.arbitrary::<i16>()?) * *bytes.choose(&[0.01, 1.0])?;
                let before_ns = self.host_ns(now_s);
                self.rate_ppm = ppm;
                let after_ns = self.host_ns(now_s);
                self.host_origin_ns = self.host_origin_ns.saturating_add(before_ns.saturating_sub(after_ns));
            }
            11 => self.held_s = f64::from(bytes.arbitrary::<u16>()?) * 1e-3,
            12 => self.scatter_s = f64::from(bytes.arbitrary::<u8>()?) * 1e-3,
            13 => self.grid_s = *bytes.choose(&[0.0, 0.0075, 0.015, 0.02, 0.03, 0.1])?,
            14 => {
                // Whatever: no device sends this.
                let stamp = PacketStamp {
                    host_ns: bytes.arbitrary()?,
                    sequence: bytes.arbitrary()?,
                    tick: bytes.arbitrary()?,
                    samples: bytes.arbitrary::<u16>()?.into(),
                };
                steps.push(Step::Packet(usize::from(bytes.arbitrary::<u8>()? % 6), stamp));
            }
            15 => {
                // One field of a sensible packet is spoilt.
                let Step::Packet(stream, mut stamp) = self.packet(self.number, 0) else { return Ok(()) };
                match bytes.int_in_range(0..=4)? {
                    0 => stamp.sequence ^= 1 << bytes.int_in_range(0..=63)?,
                    1 => stamp.tick = stamp.tick.map(|tick| tick ^ (1 << (self.number & 63))),
                    2 => stamp.tick = None,
                    3 => stamp.samples = u32::from(bytes.arbitrary::<u8>()?),
                    _ => stamp.host_ns = stamp.host_ns.wrapping_add(bytes.arbitrary::<i32>()?.into()),
                }
                steps.push(Step::Packet(stream, stamp));
                self.number += 1;
            }
            16 => {
                let at_s = now_s - f64::from(bytes.arbitrary::<u8>()?) * 1e-2;
                let (there, back) =
                    (f64::from(bytes.arbitrary::<u16>()?), f64::from(bytes.arbitrary::<u16>()?));
                let (origin, destination) =
                    (self.host_ns(at_s - there * 1e-6), self.host_ns(at_s + back * 1e-6));
                let turned = at_s + *bytes.choose(&[0.0, 1e-4, 0.02, -1e-3, 1e4])?;
                steps.push(Step::Exchange(origin, self.tick(at_s), self.tick(turned), destination));
            }
            17 => {
                let at_s = now_s - f64::from(bytes.arbitrary::<u8>()?) * 1e-2;
                let off = f64::from(bytes.arbitrary::<i16>()?) * *bytes.choose(&[1e-7, 1e-4, 1.0])?;
                steps.push(Step::Marker(self.host_ns(at_s + off), self.tick(at_s)));
            }
            18 => {
                let ms: i32 = bytes.arbitrary()?;
                let latency = match bytes.int_in_range(0..=3)? {
                    0 => Shift { us: f64::from(ms % 1_000) * 1e2, u_us: 500.0 },
                    1 => Shift { us: any(bytes)?, u_us: any(bytes)? },
                    _ => Shift::default(),
                };
                let near = self.host_ns(now_s).saturating_add(i64::from(ms % 600_000) * 1_000_000);
                steps.push(Step::Place(if ms == i32::MAX { i64::MAX } else { near }, latency));
                let asked_s = if ms < 0 { any(bytes)? } else { now_s - f64::from(ms % 600) };
                steps.push(Step::HostAt(asked_s));
            }
            _ => steps.push(Step::Pause),
        }
        Ok(())
    }
}
