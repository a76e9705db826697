//! What the headset samples: a response to each event at its true onset, in white noise and a rhythm.
//!
//! Every sample's value follows from the seed, its place in its boot and its channel alone. So a packet that was handed over twice holds the
//! same values twice, a lost one changes none of the others, and packets can be asked for in any order, one at a time.

use crate::crystal::TrueClock;
use crate::device::{Device, PacketId};
use crate::random::{Purpose, Random};
use crate::scenario::{Background, Evoked, Scenario};
use crate::trials;

/// A component is left out where it is below one part in 60 million: so many standard deviations from its peak.
const REACH: f64 = 6.0;

/// Lines that make up the rhythm, and the standard deviation of their frequencies about its own, in Hz: its envelope waxes and
/// wanes over seconds. Own choice.
const RHYTHM_LINES: usize = 16;
const RHYTHM_WIDTH_HZ: f64 = 0.6;

/// Boots do not share samples: the number of one's first sample is its own number times this.
const SAMPLES_OF_A_BOOT: u64 = 1 << 40;

/// The samples of one stream, packet by packet as the phone received them, in µV.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    /// Place of the stream in [`crate::Description::streams`].
    pub stream: u16,
    /// Channels.
    pub channels: usize,
    /// Samples that each packet has room for: the most that any can hold.
    pub room: usize,
    /// Samples in a second of the headset's clock.
    rate_hz: f64,
    clock: TrueClock,
    packets: Vec<Sampled>,
    responses: Vec<Response>,
    background: Background,
    rhythm: Vec<Line>,
    seed: u64,
}

/// A packet of the stream.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sampled {
    /// Device seconds from the session's start at its first sample.
    device_s: f64,
    /// Number of its first sample.
    number: u64,
    samples: u32,
}

/// What the events of one label evoke.
#[derive(Debug, Clone, PartialEq)]
struct Response {
    evoked: Evoked,
    /// True host seconds of the events' onsets, in order.
    onsets_s: Vec<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Line {
    frequency_hz: f64,
    phase: f64,
}

impl Samples {
    /// The samples of a session, where its scenario asks for any.
    pub(crate) fn new(
        scenario: &Scenario,
        device: &Device<'_>,
        received: impl Iterator<Item = PacketId>,
        seed: u64,
    ) -> Option<Samples> {
        if scenario.responses.is_empty() && scenario.background.is_none() {
            return None;
        }
        let background = scenario.background.clone().unwrap_or_default();
        let named = |name: &String| scenario.streams.iter().position(|stream| stream.name == *name);
        let stream = background.stream.as_ref().and_then(named).unwrap_or(0);
        let described = &scenario.streams[stream];
        let packets = received
            .filter(|id| usize::from(id.stream) == stream)
            .map(|id| Sampled {
                device_s: device.boots[usize::from(id.boot)].zero_device_s + device.nominal_s(id),
                number: u64::from(id.boot) * SAMPLES_OF_A_BOOT + device.samples_before(id),
                samples: device.samples(id),
            })
            .collect();
        let mut responses: Vec<Response> = scenario
            .responses
            .values()
            .map(|evoked| Response { evoked: evoked.clone(), onsets_s: Vec::new() })
            .collect();
        for happening in trials::happenings(scenario, seed) {
            if let Some(place) = scenario.responses.keys().position(|label| *label == happening.label) {
                responses[place].onsets_s.push(happening.physical_s);
            }
        }
        responses.iter_mut().for_each(|response| response.onsets_s.sort_by(f64::total_cmp));
        let mut lines = Random::new(seed, Purpose::Rhythm);
        let mut line = || Line {
            frequency_hz: background.rhythm_hz + RHYTHM_WIDTH_HZ * lines.normal(),
            phase: lines.uniform() * 2.0 * core::f64::consts::PI,
        };
        let rhythm = (0..if background.rhythm_uv > 0.0 { RHYTHM_LINES } else { 0 }).map(|_| line()).collect();
        Some(Samples {
            stream: stream as u16,
            channels: background.channels as usize,
            room: (described.samples_per_packet + described.dither_samples) as usize,
            rate_hz: device.rate_hz(stream as u16),
            clock: device.clock.clone(),
            packets,
            responses,
            background,
            rhythm,
            seed,
        })
    }

    /// Packets of the stream, in the order in which the phone received them.
    pub fn packets(&self) -> usize {
        self.packets.len()
    }

    /// The values of one packet in place of what `into` held: sample by sample, all channels of each; NaN where the packet has room for more
    /// samples than it holds. Nothing for a packet beyond the last.
    pub fn packet(&self, place: usize, into: &mut Vec<f32>) {
        into.clear();
        let Some(packet) = self.packets.get(place) else { return };
        let mut noise = Random::new(self.seed, Purpose::Background);
        // One normal for each sample and channel.
        noise.skip_normals(u128::from(packet.number) * self.channels as u128);
        for sample in 0..packet.samples {
            let host_s = self.clock.host_at_device(packet.device_s + f64::from(sample) / self.rate_hz);
            let rhythm_uv = self.rhythm_uv(host_s);
            for channel in 0..self.channels {
                let white_uv = if self.background.white_uv > 0.0 {
                    self.background.white_uv * noise.normal()
                } else {
                    0.0
                };
                into.push((self.evoked_uv(host_s, channel) + rhythm_uv + white_uv) as f32);
            }
        }
        into.resize(self.room * self.channels, f32::NAN);
    }

    /// Alike in all channels.
    fn rhythm_uv(&self, host_s: f64) -> f64 {
        let wave =
            |line: &Line| libm::cos(2.0 * core::f64::consts::PI * line.frequency_hz * host_s + line.phase);
        let scale = libm::sqrt(2.0 / RHYTHM_LINES as f64) * self.background.rhythm_uv;
        scale * self.rhythm.iter().map(wave).sum::<f64>()
    }

    fn evoked_uv(&self, host_s: f64, channel: usize) -> f64 {
        let mut sum_uv = 0.0;
        for Response { evoked, onsets_s } in &self.responses {
            let gain = evoked.gains.get(channel).copied().unwrap_or(1.0);
            let (latency_s, width_s) = (evoked.latency_ms * 1e-3, evoked.width_ms * 1e-3);
            let from_s = host_s - latency_s - REACH * width_s;
            let first = onsets_s.partition_point(|&onset_s| onset_s < from_s);
            for onset_s in &onsets_s[first..] {
                let off = (host_s - onset_s - latency_s) / width_s;
                if off < -REACH {
                    break;
                }
                sum_uv += gain * evoked.amplitude_uv * libm::exp(-0.5 * off * off);
            }
        }
        sum_uv
    }
}
