//! What happens on the phone's side: stimuli in random order and the taps that answer them.

use crate::host::Stack;
use crate::random::{Purpose, Random};
use crate::scenario::Scenario;

/// An event before the clocks are read; times are true host seconds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Happening {
    pub(crate) stamped_s: f64,
    pub(crate) physical_s: f64,
    pub(crate) label: String,
    pub(crate) duration_ms: Option<f64>,
}

/// True latency of each label, in seconds: one normal draw about the declared value.
struct Latencies {
    stimuli_s: Vec<f64>,
    response_s: f64,
}

impl Latencies {
    fn new(scenario: &Scenario, seed: u64) -> Latencies {
        let mut random = Random::new(seed, Purpose::Latency);
        let mut draw_s =
            |latency_ms: f64, latency_u_ms: f64| (latency_ms + latency_u_ms * random.normal()) * 1e-3;
        let response = &scenario.trials.response;
        let response_s = draw_s(response.latency_ms, response.latency_u_ms);
        let stimuli_s = scenario
            .trials
            .stimuli
            .iter()
            .map(|stimulus| draw_s(stimulus.latency_ms, stimulus.latency_u_ms))
            .collect();
        Latencies { stimuli_s, response_s }
    }
}

/// All events of a session in the order of their stamps. An app that sleeps shows nothing and stamps nothing.
pub(crate) fn happenings(scenario: &Scenario, seed: u64) -> Vec<Happening> {
    let trials = &scenario.trials;
    let total: f64 = trials.stimuli.iter().map(|stimulus| stimulus.probability).sum();
    let mut happenings = Vec::new();
    if total <= 0.0 {
        return happenings;
    }
    let latencies = Latencies::new(scenario, seed);
    let stack = Stack::new(scenario, seed, Purpose::Stack);
    let mut order = Random::new(seed, Purpose::Trials);
    let mut answers = Random::new(seed, Purpose::Responses);
    let mut stamped_s = trials.start_s;
    while stamped_s < scenario.duration_s {
        let mut left = order.uniform() * total;
        let mut chosen = trials.stimuli.len() - 1;
        for (place, stimulus) in trials.stimuli.iter().enumerate() {
            if left < stimulus.probability {
                chosen = place;
                break;
            }
            left -= stimulus.probability;
        }
        let stimulus = &trials.stimuli[chosen];
        let physical_s = stamped_s + latencies.stimuli_s[chosen];
        let answered = answers.chance(stimulus.response_probability);
        let response = &trials.response;
        let reaction_s = (response.least_ms + answers.lognormal(response.median_ms, response.sigma)) * 1e-3;
        if !stack.stalled(stamped_s) {
            happenings.push(Happening {
                stamped_s,
                physical_s,
                label: stimulus.label.clone(),
                duration_ms: stimulus.duration_ms,
            });
            let tap_s = physical_s + reaction_s;
            let tap_stamped_s = tap_s - latencies.response_s;
            if answered && tap_stamped_s < scenario.duration_s && !stack.stalled(tap_stamped_s) {
                happenings.push(Happening {
                    stamped_s: tap_stamped_s,
                    physical_s: tap_s,
                    label: response.label.clone(),
                    duration_ms: None,
                });
            }
        }
        stamped_s += order.between(trials.interval_s[0], trials.interval_s[1]);
    }
    happenings.sort_by(|a, b| a.stamped_s.total_cmp(&b.stamped_s));
    happenings
}
