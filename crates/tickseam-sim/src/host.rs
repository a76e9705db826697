//! The phone: its clock, its radio stack and its app, from the antenna to the stamp.

use crate::link::{Received, Sent, Spans};
use crate::random::{Purpose, Random};
use crate::scenario::{Fault, Scenario};

/// The phone's clock as an app reads it: steps and sleep included, rounded down to its resolution.
pub(crate) struct HostClock {
    origin_ns: i64,
    resolution_ps: i128,
    /// From this host second on, so many seconds more.
    steps: Vec<(f64, f64)>,
    suspends: Vec<(f64, f64)>,
    /// From this host second on, for so many seconds, by so many ppm.
    slews: Vec<(f64, f64, f64)>,
}

impl HostClock {
    pub(crate) fn new(scenario: &Scenario) -> HostClock {
        let mut steps = Vec::new();
        let mut suspends = Vec::new();
        let mut slews = Vec::new();
        for fault in &scenario.faults {
            match fault {
                Fault::HostStep { at_s, step_s, return_after_s } => {
                    steps.push((*at_s, *step_s));
                    if let Some(after_s) = return_after_s {
                        steps.push((at_s + after_s, -step_s));
                    }
                }
                Fault::HostSuspend { at_s, for_s } => suspends.push((*at_s, *for_s)),
                Fault::HostSlew { at_s, for_s, ppm } => slews.push((*at_s, *for_s, *ppm)),
                _ => {}
            }
        }
        HostClock {
            origin_ns: scenario.host.origin_ns,
            resolution_ps: (scenario.host.resolution_ns * 1e3).round() as i128,
            steps,
            suspends,
            slews,
        }
    }

    /// The clock in nanoseconds, not rounded to its resolution, at a true host second.
    pub(crate) fn reading_ns(&self, at_s: f64) -> i64 {
        let mut shown_s = at_s;
        for (from_s, for_s) in &self.suspends {
            shown_s -= (at_s - from_s).clamp(0.0, *for_s);
        }
        for (from_s, for_s, ppm) in &self.slews {
            shown_s += (at_s - from_s).clamp(0.0, *for_s) * ppm * 1e-6;
        }
        let stepped_s: f64 =
            self.steps.iter().filter(|(from_s, _)| at_s >= *from_s).map(|(_, step_s)| step_s).sum();
        self.origin_ns + (shown_s * 1e9).floor() as i64 + (stepped_s * 1e9).round() as i64
    }

    /// A stamp taken at a true host second.
    pub(crate) fn stamp_ns(&self, at_s: f64) -> i64 {
        let reading_ps = i128::from(self.reading_ns(at_s)) * 1000;
        let stamp_ps = reading_ps.div_euclid(self.resolution_ps) * self.resolution_ps;
        stamp_ps.div_euclid(1000) as i64
    }
}

/// A packet as the app was handed it, before the clock stamped it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HandedOver {
    pub(crate) sent: Sent,
    pub(crate) at_s: f64,
}

/// What the app lost, doubled and swapped.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct HostCounts {
    pub(crate) losses: u64,
    pub(crate) duplicates: u64,
    pub(crate) reorderings: u64,
}

/// The way from the antenna to the app's callback.
pub(crate) struct Stack<'a> {
    scenario: &'a Scenario,
    random: Random,
    stalls: Spans,
    batch_phase_s: f64,
    previous_s: f64,
}

impl<'a> Stack<'a> {
    pub(crate) fn new(scenario: &'a Scenario, seed: u64, purpose: Purpose) -> Stack<'a> {
        let host = &scenario.host;
        let mut random = Random::new(seed, Purpose::Stalls);
        let batch_phase_s = random.uniform() * host.batching_ms * 1e-3;
        let mut stalls = Vec::new();
        if host.stalls_per_hour > 0.0 {
            let mut at_s = random.exponential(3600.0 / host.stalls_per_hour);
            while at_s < scenario.duration_s {
                let end_s = at_s + random.between(0.5, 1.5) * host.stall_ms * 1e-3;
                stalls.push((at_s, end_s));
                at_s = end_s + random.exponential(3600.0 / host.stalls_per_hour);
            }
        }
        for fault in &scenario.faults {
            if let Fault::HostSuspend { at_s, for_s } = fault {
                stalls.push((*at_s, at_s + for_s));
            }
        }
        Stack {
            scenario,
            random: Random::new(seed, purpose),
            stalls: Spans::new(stalls),
            batch_phase_s,
            previous_s: f64::MIN,
        }
    }

    /// When the app is called with what the radio received at `received_s`; never before what came earlier.
    pub(crate) fn deliver_s(&mut self, received_s: f64) -> f64 {
        let host = &self.scenario.host;
        let mut at_s = received_s + host.fixed_delay_ms * 1e-3;
        if host.stack_delay_ms > 0.0 {
            at_s += self.random.exponential(host.stack_delay_ms * 1e-3);
        }
        if host.tail_probability > 0.0 && self.random.chance(host.tail_probability) {
            at_s += self.random.lognormal(host.tail_median_ms * 1e-3, host.tail_sigma);
        }
        at_s = at_s.max(self.previous_s);
        self.previous_s = at_s;
        if host.batching_ms > 0.0 {
            let period_s = host.batching_ms * 1e-3;
            let turns = ((at_s - self.batch_phase_s) / period_s).ceil();
            at_s = at_s.max(self.batch_phase_s + turns * period_s);
        }
        self.stalls.end_of(at_s).unwrap_or(at_s)
    }

    /// Whether the app sleeps at this second.
    pub(crate) fn stalled(&self, at_s: f64) -> bool {
        self.stalls.end_of(at_s).is_some()
    }
}

/// Time from one callback to the one that it should have preceded, in seconds: another thread had its turn.
const SWAPPED_AFTER_S: f64 = 50e-6;

/// Hands every received packet to the app: delayed, lost, doubled, swapped. In the order of the callbacks.
pub(crate) fn hand_over(
    scenario: &Scenario,
    received: &[Received],
    seed: u64,
) -> (Vec<HandedOver>, HostCounts) {
    let host = &scenario.host;
    let mut stack = Stack::new(scenario, seed, Purpose::Stack);
    let mut losses = Random::new(seed, Purpose::Loss);
    let mut duplicates = Random::new(seed, Purpose::Duplicates);
    let mut reordering = Random::new(seed, Purpose::Reordering);
    let mut counts = HostCounts::default();
    let mut handed: Vec<HandedOver> = Vec::with_capacity(received.len());
    let mut held: Option<Sent> = None;
    for packet in received {
        let at_s = stack.deliver_s(packet.at_s);
        if host.loss > 0.0 && losses.chance(host.loss) {
            counts.losses += 1;
            continue;
        }
        let swaps = host.reordering > 0.0 && held.is_none() && reordering.chance(host.reordering);
        if swaps {
            held = Some(packet.sent);
        } else {
            handed.push(HandedOver { sent: packet.sent, at_s });
            if let Some(sent) = held.take() {
                counts.reorderings += 1;
                handed.push(HandedOver { sent, at_s: at_s + SWAPPED_AFTER_S });
            }
        }
        if host.duplicates > 0.0 && duplicates.chance(host.duplicates) {
            counts.duplicates += 1;
            let again_s = at_s + duplicates.exponential(host.duplicate_delay_ms * 1e-3);
            // A second copy of a packet that is held comes after the first.
            let again_s = if swaps { again_s + 1.0 } else { again_s };
            handed.push(HandedOver { sent: packet.sent, at_s: again_s });
        }
    }
    if let Some(sent) = held {
        // Nothing followed: it comes as if it had not been swapped.
        let at_s = received.last().map_or(0.0, |packet| packet.at_s) + host.fixed_delay_ms * 1e-3;
        handed.push(HandedOver { sent, at_s: at_s.max(stack.previous_s) });
    }
    handed.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    (handed, counts)
}
