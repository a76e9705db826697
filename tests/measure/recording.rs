//! One random recording, aligned, with the truth beside every answer.

use tickseam::block::Arrival;
use tickseam::frame::Frame;
use tickseam::serial::SerialSpace;
use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_cli::peers::RoundTrip;
use tickseam_cli::simulated;
use tickseam_sim::scenario::{ScenarioError, Stimulus};
use tickseam_sim::{Class, Scenario, Simulated, random_scenario, simulate};

/// Instants at which each recording is looked at, about.
const INSTANTS: f64 = 300.0;

/// The simulator's classes, the slipping one cut in two.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, clap::ValueEnum)]
pub(crate) enum Kind {
    /// Four slips or more, packet period ≥ connection interval.
    Slipping,
    /// Four slips or more, packet period < connection interval: several packets in one event.
    SlippingMany,
    /// One to four slips.
    Partly,
    /// Less than one slip.
    Locked,
    /// Fewer than a tenth of the packets go at their first chance.
    Congested,
    /// Constant delay.
    Constant,
    /// One-sided noise.
    OneSided,
}

impl Kind {
    pub(crate) const ALL: [Self; 7] = [
        Self::Slipping,
        Self::SlippingMany,
        Self::Partly,
        Self::Locked,
        Self::Congested,
        Self::Constant,
        Self::OneSided,
    ];

    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Slipping => "slipping, P ≥ C",
            Self::SlippingMany => "slipping, P < C",
            Self::Partly => "partly",
            Self::Locked => "locked",
            Self::Congested => "congested",
            Self::Constant => "constant",
            Self::OneSided => "one-sided",
        }
    }

    /// What the command line calls it.
    pub(crate) const fn argument(self) -> &'static str {
        match self {
            Self::Slipping => "slipping",
            Self::SlippingMany => "slipping-many",
            Self::Partly => "partly",
            Self::Locked => "locked",
            Self::Congested => "congested",
            Self::Constant => "constant",
            Self::OneSided => "one-sided",
        }
    }

    const fn class(self) -> Class {
        match self {
            Self::Slipping | Self::SlippingMany => Class::Slipping,
            Self::Partly => Class::Partly,
            Self::Locked => Class::Locked,
            Self::Congested => Class::Congested,
            Self::Constant => Class::Constant,
            Self::OneSided => Class::OneSided,
        }
    }

    pub(crate) fn of(class: Class, scenario: &Scenario) -> Self {
        match class {
            Class::Slipping if scenario.streams[0].packet_period_ms() < scenario.link.interval_ms => {
                Self::SlippingMany
            }
            Class::Slipping => Self::Slipping,
            Class::Partly => Self::Partly,
            Class::Locked => Self::Locked,
            Class::Congested => Self::Congested,
            Class::Constant => Self::Constant,
            Class::OneSided => Self::OneSided,
        }
    }
}

/// What the recording says of its fixed delay.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Delay {
    /// With the error that the scenario gives it, and that error's standard uncertainty.
    Declared,
    /// The true one, without uncertainty.
    True,
    /// Nothing.
    Untold,
}

/// A recording to be made and looked at.
#[derive(Clone, Debug)]
pub(crate) struct Draw {
    /// What it is called in the output.
    pub(crate) seed: u64,
    /// What the simulator is given: another number where the first scenarios drawn were not of the kind asked for.
    simulator_seed: u64,
    /// The kind asked for; what is simulated may turn out to be of another.
    drawn: Kind,
    pub(crate) scenario: Scenario,
    /// When something goes wrong, s since the session's start; infinite where nothing does.
    pub(crate) fault_s: f64,
}

impl Draw {
    /// A random scenario of a kind, at most so long. The same for the same arguments.
    pub(crate) fn random(seed: u64, kind: Kind, longest_s: f64) -> Self {
        let mut simulator_seed = seed;
        loop {
            let (scenario, class) = random_scenario(simulator_seed, Some(kind.class()));
            if Kind::of(class, &scenario) == kind {
                return Self::of(seed, simulator_seed, kind, scenario, longest_s, f64::INFINITY);
            }
            simulator_seed = simulator_seed.wrapping_add(1_000_000_007);
        }
    }

    /// A scenario of one's own, in which something goes wrong.
    pub(crate) fn with_fault(seed: u64, scenario: Scenario, fault_s: f64) -> Self {
        Self::of(seed, seed, Kind::Slipping, scenario, f64::INFINITY, fault_s)
    }

    fn of(
        seed: u64,
        simulator_seed: u64,
        drawn: Kind,
        mut scenario: Scenario,
        longest_s: f64,
        fault_s: f64,
    ) -> Self {
        scenario.duration_s = scenario.duration_s.min(longest_s);
        scenario.declare.fixed_delay = true;
        // Evenly spread instants, stamped without any latency of their own.
        let spacing_s = scenario.duration_s / INSTANTS;
        scenario.trials.start_s = spacing_s / 2.0;
        scenario.trials.interval_s = [0.9 * spacing_s, 1.1 * spacing_s];
        scenario.trials.stimuli = vec![Stimulus {
            label: "instant".to_owned(),
            duration_ms: None,
            response_probability: 0.0,
            ..Stimulus::default()
        }];
        Self { seed, simulator_seed, drawn, scenario, fault_s }
    }

    pub(crate) fn simulated(&self) -> Result<Simulated, ScenarioError> {
        simulate(&self.scenario, self.simulator_seed)
    }
}

/// One answer beside the truth.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Answer {
    /// Host time of the instant since the first packet was received, s.
    pub(crate) at_s: f64,
    /// Host time since something went wrong, s; negative before.
    pub(crate) since_fault_s: f64,
    /// Onset less true onset, ms; `None` for an event that got no place, or one in another segment than the true one.
    pub(crate) error_ms: Option<f64>,
    /// Stated half-width, ms; 0 where there is no answer.
    pub(crate) u95_ms: f64,
}

impl Answer {
    pub(crate) fn held(&self) -> bool {
        self.error_ms.is_some_and(|error_ms| error_ms.abs() <= self.u95_ms)
    }
}

/// A recording with all its answers.
#[derive(Debug)]
pub(crate) struct Measured {
    pub(crate) seed: u64,
    /// What it is, by what the link did.
    pub(crate) kind: Kind,
    /// What was asked for.
    pub(crate) drawn: Kind,
    pub(crate) scenario: Scenario,
    /// What the link did.
    pub(crate) slips: f64,
    pub(crate) beat_ms: Option<f64>,
    /// One for each event that has a true onset.
    pub(crate) replayed: Vec<Answer>,
    /// Of these, the ones that the causal estimator answered.
    pub(crate) live: Vec<Answer>,
    /// Places in `replayed` of the answers in `live`.
    pub(crate) live_places: Vec<usize>,
}

/// A simulated session, its alignment, and what was declared of the fixed delay.
pub(crate) struct Session {
    pub(crate) simulated: Simulated,
    aligned: Aligned,
    pub(crate) fixed_delay_ms: f64,
    /// What is to be added to every onset, s: the true fixed delay where none was told.
    shift_s: f64,
}

impl Session {
    pub(crate) fn new(draw: &Draw, delay: Delay) -> Self {
        let fails = |error: &dyn std::fmt::Display| -> ! { panic!("seed {}: {error}", draw.seed) };
        let simulated = draw.simulated().unwrap_or_else(|error| fails(&error));
        let mut recording = simulated::recording(&simulated).unwrap_or_else(|error| fails(&error));
        let true_ms = simulated.truth.fixed_delay_ms[0];
        let link = &mut recording.description.link;
        let mut shift_s = 0.0;
        match delay {
            Delay::Declared => {}
            Delay::True => (link.fixed_delay_ms, link.fixed_delay_u_ms) = (Some(true_ms), Some(0.0)),
            Delay::Untold => {
                (link.fixed_delay_ms, link.fixed_delay_u_ms) = (None, None);
                shift_s = true_ms / 1e3;
            }
        }
        let fixed_delay_ms = link.fixed_delay_ms.unwrap_or(true_ms);
        let aligned = align(&Captured::of(&recording)).unwrap_or_else(|error| fails(&error));
        Self { simulated, aligned, fixed_delay_ms, shift_s }
    }

    /// Host stamp and true onset of the instants that have one, and their place among the events.
    fn instants(&self) -> impl Iterator<Item = (usize, i64, u32, f64)> + '_ {
        let events = self.simulated.truth.events.iter().enumerate();
        events.filter_map(|(place, truth)| Some((place, truth.host_ns, truth.segment, truth.onset_s?)))
    }

    pub(crate) fn measured(&self, draw: &Draw) -> Measured {
        let statistics = &self.simulated.statistics;
        let mut measured = Measured {
            seed: draw.seed,
            kind: Kind::of(statistics.class, &draw.scenario),
            drawn: draw.drawn,
            scenario: draw.scenario.clone(),
            slips: statistics.slips,
            beat_ms: statistics.beat_ms,
            replayed: Vec::new(),
            live: Vec::new(),
            live_places: Vec::new(),
        };
        let Some(first_ns) = self.simulated.packets.iter().map(|packet| packet.host_ns).min() else {
            return measured;
        };
        let origin_ns = draw.scenario.host.origin_ns;
        for (place, host_ns, segment, true_s) in self.instants() {
            let row = &self.aligned.events.rows[place];
            assert_eq!(row.host_ns, host_ns, "events and truth go in one order");
            let shift_s = if row.excludes_fixed_delay { self.shift_s } else { 0.0 };
            let answer = |onset_s: Option<f64>, u95_ms: Option<f64>| Answer {
                at_s: (host_ns - first_ns) as f64 / 1e9,
                since_fault_s: (host_ns - origin_ns) as f64 / 1e9 - draw.fault_s,
                error_ms: onset_s
                    .filter(|_| row.segment == Some(segment))
                    .map(|onset_s| (onset_s + shift_s - true_s) * 1e3),
                u95_ms: u95_ms.unwrap_or(0.0),
            };
            if row.live_onset_s.is_some() {
                measured.live_places.push(measured.replayed.len());
                measured.live.push(answer(row.live_onset_s, row.live_u95_ms));
            }
            measured.replayed.push(answer(row.onset_s, row.u95_ms));
        }
        measured
    }

    /// Host stamps and true onsets, s: of a recording in which nothing restarts.
    pub(crate) fn true_onsets(&self) -> Vec<(i64, f64)> {
        self.instants().map(|(_, host_ns, _, true_s)| (host_ns, true_s)).collect()
    }

    /// The reference stream's packets as the peers see them: unwrapped without a mistake, each once.
    pub(crate) fn arrivals(&self, draw: &Draw) -> (Frame, Vec<Arrival>) {
        let truth = &self.simulated.truth;
        let period_s = draw.scenario.streams[0].packet_period_ms() / 1e3;
        let reference = || {
            let rows = self.simulated.packets.iter().zip(&truth.first_sample_s);
            rows.filter(|(packet, _)| packet.stream == 0)
                .map(|(packet, &first_s)| (packet.host_ns, truth.clock.device_at_host(first_s)))
        };
        let zero_s = reference().map(|(_, device_s)| device_s).fold(f64::INFINITY, f64::min);
        let host_origin_ns = reference().next().map_or(0, |(host_ns, _)| host_ns);
        let frame = Frame { device_origin: 0, counts_per_s: 1.0 / period_s, host_origin_ns };
        let mut seen = std::collections::HashSet::new();
        let arrivals = reference()
            .map(|(host_ns, device_s)| (host_ns, ((device_s - zero_s) / period_s).round() as i64))
            .filter(|&(_, count)| seen.insert(count))
            .map(|(host_ns, count)| frame.arrival(count, host_ns))
            .collect();
        (frame, arrivals)
    }

    /// The exchanges in the frame of the arrivals, their ticks unwrapped by the host's stamps.
    pub(crate) fn round_trips(&self, draw: &Draw, frame: &Frame) -> Vec<RoundTrip> {
        let (simulated, device) = (&self.simulated, &draw.scenario.device);
        let Some(space) = u8::try_from(device.tick_bits).ok().and_then(|bits| SerialSpace::new(bits).ok())
        else {
            return Vec::new();
        };
        // The first packet received ties the counter to the frame.
        let mut rows = simulated.packets.iter().zip(&simulated.truth.first_sample_s);
        let Some((first, &first_s)) = rows.find(|(packet, _)| packet.stream == 0) else { return Vec::new() };
        let Some(zero_tick) = first.tick else { return Vec::new() };
        let earliest_s = simulated
            .packets
            .iter()
            .zip(&simulated.truth.first_sample_s)
            .filter(|(packet, _)| packet.stream == 0)
            .map(|(_, &at_s)| at_s)
            .fold(f64::INFINITY, f64::min);
        let clock = &simulated.truth.clock;
        let first_device_s = clock.device_at_host(first_s) - clock.device_at_host(earliest_s);
        let device_s = |host_ns: i64, tick: u64| {
            let expected = (frame.host_us(host_ns) / 1e6 - first_device_s) * device.tick_hz;
            let since = space.unwrap_near(expected as i64, tick.wrapping_sub(zero_tick) & space.largest())?;
            Some(first_device_s + since as f64 / device.tick_hz)
        };
        simulated
            .exchanges
            .iter()
            .filter_map(|exchange| {
                Some(RoundTrip {
                    origin_us: frame.host_us(exchange.origin_ns),
                    receive_s: device_s(exchange.origin_ns, exchange.receive_tick)?,
                    transmit_s: device_s(exchange.destination_ns, exchange.transmit_tick)?,
                    destination_us: frame.host_us(exchange.destination_ns),
                })
            })
            .collect()
    }
}
