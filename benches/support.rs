//! What the benches share: a night on a Bluetooth LE link, its arrivals, and what is known before them.

use std::time::{Duration, Instant};

use tickseam::block::{Arrival, WorkingLine};
use tickseam::frame::Frame;
use tickseam::placement::Shift;
use tickseam::replay::{Stage, replay, stages_needed};
use tickseam::select::envelope_line;
use tickseam::setup::Setup;
use tickseam_sim::{Packet, Scenario, simulate};

/// One stream's packets and arrivals.
#[derive(Clone, Debug)]
pub struct Night {
    /// As the phone received them.
    pub packets: Vec<Packet>,
    /// The same inside the frame, exactly unwrapped.
    pub arrivals: Vec<Arrival>,
    /// Where both clocks are counted from; counts are packets.
    pub frame: Frame,
    /// What is known before them.
    pub setup: Setup,
}

/// Whether cargo runs this as a benchmark; under `cargo test --all-targets` there is nothing to do.
#[must_use]
pub fn benched() -> bool {
    std::env::args().any(|argument| argument == "--bench")
}

/// So many packets of 20 ms at an interval of 15 ms, 10 % of those on the air failing; fixed delay and interval declared.
///
/// # Panics
/// When the scenario cannot be simulated.
#[must_use]
pub fn night(packets: u32) -> Night {
    let scenario = Scenario { duration_s: f64::from(packets) * 0.02 + 2.0, ..Scenario::default() };
    let session = simulate(&scenario, 1).unwrap_or_else(|error| panic!("{error}"));
    let zero = session.packets[0].sequence;
    let frame = Frame { device_origin: 0, counts_per_s: 50.0, host_origin_ns: session.packets[0].host_ns };
    let mut count = 0_i64;
    let arrivals: Vec<Arrival> = session
        .packets
        .iter()
        .take(packets as usize)
        .map(|packet| {
            // Sequence numbers of 16 bits; nothing is reordered or lost for half a turn.
            let ahead = (packet.sequence.wrapping_sub(zero) as u16).wrapping_sub(count as u16);
            count += i64::from(ahead);
            frame.arrival(count, packet.host_ns)
        })
        .collect();
    assert_eq!(arrivals.len(), packets as usize, "the session is long enough");
    let delay = |ms: Option<f64>| ms.map_or(0.0, |ms| ms * 1e3);
    let described = &session.description;
    let setup = Setup {
        fixed_delay: Some(Shift {
            us: delay(described.fixed_delay_ms),
            u_us: delay(described.fixed_delay_u_ms),
        }),
        interval_us: described.connection_interval_ms.map(|ms| ms * 1e3),
        ..Setup::new(described.tolerance_ppm, 0.02)
    };
    Night { packets: session.packets, arrivals, frame, setup }
}

/// The whole replay of a night, from its arrivals to its stages.
///
/// # Panics
/// When a night has too few arrivals for a line.
#[must_use]
pub fn replayed(night: &Night, stages: &mut [Stage]) -> (WorkingLine, usize) {
    let line = envelope_line(night.arrivals.iter().copied())
        .unwrap_or_else(|error| panic!("a night has a line: {error:?}"))
        .working();
    let report = replay(&night.arrivals, &[], line, &night.setup, stages);
    assert!(report.stages < stages.len(), "the stages suffice");
    (line, report.stages)
}

/// Stages that suffice for a night.
#[must_use]
pub fn stages(night: &Night) -> Vec<Stage> {
    let span_s = night.arrivals.last().map_or(0.0, |arrival| arrival.device_s);
    vec![Stage::empty(); stages_needed(night.arrivals.len(), 0, span_s)]
}

/// The five running sums that a straight line by least squares needs: what a live estimator at the least has to do.
#[derive(Clone, Copy, Debug, Default)]
pub struct RunningSums {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
}

impl RunningSums {
    /// Takes one arrival.
    pub fn observe(&mut self, arrival: Arrival) {
        let (x, y) = (arrival.device_s, arrival.residual_us);
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
    }

    /// Slope of the line, ppm.
    #[must_use]
    pub fn rate_ppm(&self) -> f64 {
        (self.n * self.xy - self.x * self.y) / (self.n * self.xx - self.x * self.x)
    }
}

/// Medians of the times that two jobs take, run in turn so that both meet the same machine.
pub fn in_turn(rounds: usize, mut first: impl FnMut(), mut second: impl FnMut()) -> (Duration, Duration) {
    let (mut firsts, mut seconds) = (Vec::new(), Vec::new());
    for _ in 0..rounds {
        let start = Instant::now();
        first();
        firsts.push(start.elapsed());
        let start = Instant::now();
        second();
        seconds.push(start.elapsed());
    }
    let median = |mut times: Vec<Duration>| {
        times.sort_unstable();
        times[times.len() / 2]
    };
    (median(firsts), median(seconds))
}
