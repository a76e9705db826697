//! What to simulate: a small TOML file of overrides over defaults.

use core::fmt;
use std::collections::BTreeMap;

use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};

use crate::air::{self, Phy};
use crate::radio::CHANNELS;

/// A whole session. Every key may be left out; [`Scenario::default`] says what then holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Scenario {
    /// Length of the session on the phone's clock, in seconds; 1 to 172,800.
    pub duration_s: f64,
    /// The headset: its clock and its firmware.
    pub device: DeviceScenario,
    /// The phone: its clock, its radio stack, its app.
    pub host: HostScenario,
    /// The radio link between them.
    pub link: LinkScenario,
    /// What the recording says of the link.
    pub declare: DeclareScenario,
    /// Streams of samples; the first is the reference stream.
    #[serde(rename = "stream")]
    pub streams: Vec<StreamScenario>,
    /// Stimuli and taps; `stimulus = []` for none.
    pub trials: TrialsScenario,
    /// Two-way timestamp exchanges.
    pub exchanges: ExchangeScenario,
    /// Instants that both clocks saw.
    pub markers: MarkerScenario,
    /// Faults, in any order.
    #[serde(rename = "fault")]
    pub faults: Vec<Fault>,
    /// What the app makes of its log, beyond what link and clocks do.
    pub log: LogScenario,
    /// What the events of a label evoke in the samples, by label; none: no response.
    #[serde(rename = "response", skip_serializing_if = "BTreeMap::is_empty")]
    pub responses: BTreeMap<String, Evoked>,
    /// What the samples hold besides. Where both this and `response` are absent no samples are made, only their packets.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub background: Option<Background>,
    /// What whoever runs the scenario expects of an alignment: not looked at here, and not written by [`Scenario::to_toml`].
    #[serde(skip_serializing)]
    pub expect: IgnoredAny,
}

impl Default for Scenario {
    fn default() -> Scenario {
        Scenario {
            duration_s: 1800.0,
            device: DeviceScenario::default(),
            host: HostScenario::default(),
            link: LinkScenario::default(),
            declare: DeclareScenario::default(),
            streams: vec![StreamScenario::default()],
            trials: TrialsScenario::default(),
            exchanges: ExchangeScenario::default(),
            markers: MarkerScenario::default(),
            faults: Vec::new(),
            log: LogScenario::default(),
            responses: BTreeMap::new(),
            background: None,
            expect: IgnoredAny,
        }
    }
}

/// The headset's clock and firmware.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DeviceScenario {
    /// Nominal rate of the counter that packets are stamped with, in Hz.
    pub tick_hz: f64,
    /// The counter wraps at 2^tick_bits; 16 to 64.
    pub tick_bits: u32,
    /// Whether packets carry the counter; without it the sample count is the device clock.
    pub ticks: bool,
    /// Declared half-width of the crystal's rate tolerance, in ppm.
    pub tolerance_ppm: f64,
    /// Drift once warm, in ppm; positive: the headset's clock runs fast against the phone's.
    pub offset_ppm: f64,
    /// Drift at the session's start beyond `offset_ppm`, in ppm; it decays exponentially.
    pub warm_up_ppm: f64,
    /// Time constant of that decay, in seconds.
    pub warm_up_tau_s: f64,
    /// Random walk of the relative frequency: its standard deviation after one second, 1e-9 = 0.001 ppm.
    pub random_walk_per_sqrt_s: f64,
    /// Temperature of a tuning fork crystal; its drift comes on top.
    pub temperature: Option<Temperature>,
    /// By how much samples are taken faster than the counter says, in ppm, where they have a crystal of their own; -1000 to 1000.
    /// Packets carry the counter at their first sample; the nominal rate holds for the sample's crystal. Needs `ticks`.
    pub sample_ppm: f64,
    /// A change of the rate during the session.
    pub rate_step: Option<RateStep>,
    /// Where the firmware reads the counter for a packet. All but the first are mistakes: what the estimator is told is that the
    /// counter is that of the first sample.
    pub tick_stamp: TickStamp,
    /// Counter at the first sample of the session; random where absent.
    pub first_tick: Option<u64>,
    /// Sequence number of each stream's first packet; random where absent.
    pub first_sequence: Option<u64>,
    /// Whether sequence numbers begin at 0 with each connection after a fault `disconnection`, while the counter goes on.
    pub sequence_per_connection: bool,
    /// Time from a packet's last sample until it can be queued, in milliseconds.
    pub processing_ms: f64,
    /// Further time until it is queued, evenly spread from 0 to this, in milliseconds.
    pub jitter_ms: f64,
    /// Packets that the transmit queue holds.
    pub queue_packets: usize,
    /// What goes when the queue is full.
    pub queue_full: QueueFull,
}

impl Default for DeviceScenario {
    fn default() -> DeviceScenario {
        DeviceScenario {
            tick_hz: 32_768.0,
            tick_bits: 32,
            ticks: true,
            tolerance_ppm: 50.0,
            offset_ppm: 25.0,
            warm_up_ppm: 3.0,
            warm_up_tau_s: 600.0,
            random_walk_per_sqrt_s: 1e-9,
            temperature: None,
            sample_ppm: 0.0,
            rate_step: None,
            tick_stamp: TickStamp::FirstSample,
            first_tick: None,
            first_sequence: None,
            sequence_per_connection: false,
            processing_ms: 0.5,
            jitter_ms: 0.0,
            queue_packets: 32,
            queue_full: QueueFull::DropNewest,
        }
    }
}

/// Where the firmware reads the counter that it puts into a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TickStamp {
    /// At the packet's first sample.
    FirstSample,
    /// At its last sample.
    LastSample,
    /// When the packet goes into the transmit queue.
    Enqueue,
    /// At the anchor of the connection event in which it is first sent; on links without events when it is sent.
    RadioEvent,
}

/// A tuning fork crystal that warms or cools from the session's start: k (T − T0)².
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Temperature {
    /// Curvature, in ppm/°C²; about −0.034.
    pub k_ppm_per_c2: f64,
    /// Turnover temperature T0, in °C; about 25.
    pub turnover_c: f64,
    /// Temperature at the session's start, in °C.
    pub from_c: f64,
    /// Temperature approached, in °C.
    pub to_c: f64,
    /// Time constant of the approach, in seconds.
    pub tau_s: f64,
}

/// A change of the device's rate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RateStep {
    /// When it begins, in seconds from the session's start.
    pub at_s: f64,
    /// Its size, in ppm.
    pub ppm: f64,
    /// Time constant of its approach, in seconds; 0: at once.
    #[serde(default)]
    pub tau_s: f64,
}

/// What a full transmit queue does with one packet more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum QueueFull {
    /// The packet that finds no place is lost.
    DropNewest,
    /// The packet that has waited longest and is not yet on the air is lost.
    DropOldest,
}

/// The phone's clock, stack and app.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct HostScenario {
    /// Phone clock when the session begins, in nanoseconds.
    pub origin_ns: i64,
    /// Step of the host stamps, in nanoseconds; a stamp is the clock rounded down to it. At least 1, need not be whole.
    pub resolution_ns: f64,
    /// Time from a packet's last bit on the air to its stamp at best, in milliseconds.
    pub fixed_delay_ms: f64,
    /// Mean of the exponential delay on top, in milliseconds.
    pub stack_delay_ms: f64,
    /// Probability that a packet meets a long delay besides.
    pub tail_probability: f64,
    /// Median of that long delay (lognormal), in milliseconds.
    pub tail_median_ms: f64,
    /// Standard deviation of its logarithm.
    pub tail_sigma: f64,
    /// Stalls of the app in an hour; every packet due in one is stamped at its end.
    pub stalls_per_hour: f64,
    /// Mean length of a stall, in milliseconds; each is 0.5 to 1.5 times this.
    pub stall_ms: f64,
    /// Period in which a background app is handed its packets, in milliseconds; 0: at once.
    pub batching_ms: f64,
    /// Probability that the app loses a delivered packet.
    pub loss: f64,
    /// Probability that a packet is handed over a second time.
    pub duplicates: f64,
    /// Mean delay of the second hand-over (exponential), in milliseconds.
    pub duplicate_delay_ms: f64,
    /// Probability that a packet's callback comes after its successor's.
    pub reordering: f64,
}

impl Default for HostScenario {
    fn default() -> HostScenario {
        HostScenario {
            origin_ns: 86_400_000_000_000,
            resolution_ns: 1.0,
            fixed_delay_ms: 1.0,
            stack_delay_ms: 0.3,
            tail_probability: 0.0,
            tail_median_ms: 8.0,
            tail_sigma: 0.8,
            stalls_per_hour: 0.0,
            stall_ms: 150.0,
            batching_ms: 0.0,
            loss: 0.0,
            duplicates: 0.0,
            duplicate_delay_ms: 40.0,
            reordering: 0.0,
        }
    }
}

/// The way from the headset's queue to the phone's antenna.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LinkScenario {
    /// How packets get their turn.
    pub kind: LinkKind,
    /// Connection interval, or period of the time slots, in milliseconds.
    pub interval_ms: f64,
    /// Drift of the radio that times the anchors, in ppm; positive: it runs fast against the phone's clock.
    pub radio_ppm: f64,
    /// Modulation and coding.
    pub phy: Phy,
    /// Largest link layer payload, in octets; 27 to 251.
    pub largest_payload_octets: u32,
    /// Whether packets carry a message integrity check of four octets.
    pub encrypted: bool,
    /// Link layer packets from the headset in one connection event (or slot) at most.
    pub packets_per_event: u32,
    /// Longest connection event, in milliseconds; the whole interval where absent.
    pub event_length_ms: Option<f64>,
    /// Whether a packet that becomes ready during an event may still join it; else it waits for the next.
    pub late_entry: bool,
    /// Whether an event ends with a failed packet; else it is sent again in the same event.
    pub close_on_failure: bool,
    /// Connection events that the headset may skip while it has nothing to send; 0 to 499.
    pub peripheral_latency: u32,
    /// Whether it skips them even with packets waiting.
    pub latency_with_data: bool,
    /// Probability that a packet on the air fails outside bursts.
    pub error_rate: f64,
    /// Probability, for each connection event, that a burst of interference begins (Gilbert 1960, Elliott 1963).
    pub burst_probability: f64,
    /// Mean length of a burst, in connection events.
    pub burst_events: f64,
    /// Probability that a packet on the air fails in a burst.
    pub burst_error_rate: f64,
    /// Fades in an hour: everything on the air fails.
    pub fades_per_hour: f64,
    /// Mean length of a fade (exponential), in seconds.
    pub fade_s: f64,
    /// Time without a packet from the other side after which both take the connection for lost, in milliseconds: 100 to 32,000 in
    /// steps of 10, more than twice the longest time between events; never where absent. The queue is emptied then.
    pub supervision_timeout_ms: Option<f64>,
    /// Mean time from a connection lost so to the next, in seconds; each is 0.5 to 1.5 times this. The anchors get a new phase.
    pub reconnection_s: f64,
    /// By how many channels each connection event is further on; 5 to 16 (Vol 6 Part B 2.3.3.1; from memory).
    pub hop_increment: u32,
    /// Data channels that the phone does not use, each 0 to 36; at least two are used.
    pub unused_channels: Vec<u32>,
    /// Data channels on which packets fail more often, each 0 to 36.
    pub bad_channels: Vec<u32>,
    /// Probability that a packet on them fails because of it.
    pub bad_channel_error_rate: f64,
    /// Other links that the phone's radio serves.
    #[serde(rename = "other_link")]
    pub other_links: Vec<OtherLink>,
    /// Time on the air of a packet in a time slot, in milliseconds.
    pub slot_air_ms: f64,
    /// Least time from ready to received, in milliseconds: kinds `constant` and `one-sided`.
    pub least_ms: f64,
    /// Shape of the time beyond the least: kind `one-sided`.
    pub noise: Noise,
    /// Size of the time beyond the least, in milliseconds: full width (uniform), mean (exponential, gamma), median (lognormal).
    pub noise_ms: f64,
    /// Shape parameter of gamma noise, or standard deviation of the logarithm of lognormal noise.
    pub noise_shape: f64,
    /// Whether packets keep their order on the way: kinds `constant` and `one-sided`.
    pub in_order: bool,
}

impl Default for LinkScenario {
    fn default() -> LinkScenario {
        LinkScenario {
            kind: LinkKind::ConnectionEvents,
            interval_ms: 15.0,
            radio_ppm: 0.0,
            phy: Phy::Le1M,
            largest_payload_octets: 251,
            encrypted: true,
            packets_per_event: 6,
            event_length_ms: None,
            late_entry: false,
            close_on_failure: false,
            peripheral_latency: 0,
            latency_with_data: false,
            error_rate: 0.1,
            burst_probability: 0.0,
            burst_events: 5.0,
            burst_error_rate: 0.8,
            fades_per_hour: 0.0,
            fade_s: 2.0,
            supervision_timeout_ms: None,
            reconnection_s: 2.0,
            hop_increment: 7,
            unused_channels: Vec::new(),
            bad_channels: Vec::new(),
            bad_channel_error_rate: 0.5,
            other_links: Vec::new(),
            slot_air_ms: 1.0,
            least_ms: 5.0,
            noise: Noise::Exponential,
            noise_ms: 2.0,
            noise_shape: 2.0,
            in_order: true,
        }
    }
}

/// Another link of the phone's radio: earphones, a watch. Its events begin at a random phase; where one is under way when this
/// link's should begin, they take turns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OtherLink {
    /// Its connection interval, in milliseconds.
    pub interval_ms: f64,
    /// How long each of its events takes, in milliseconds.
    pub event_ms: f64,
}

/// How packets get their turn on the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinkKind {
    /// Bluetooth LE: wait for the next connection event, sent again until received.
    ConnectionEvents,
    /// Always the same time on the way; a failed packet is lost.
    Constant,
    /// A least time and noise beyond it; a failed packet is lost.
    OneSided,
    /// A fixed frame in which the phone polls; a failed packet is lost.
    TimeSlots,
}

/// Shape of one-sided noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noise {
    /// Evenly spread from 0 to the size.
    Uniform,
    /// Exponential.
    Exponential,
    /// Gamma.
    Gamma,
    /// Lognormal.
    Lognormal,
}

/// What `recording.toml` tells the estimator.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DeclareScenario {
    /// Whether the fixed delay is told.
    pub fixed_delay: bool,
    /// Standard uncertainty of the told fixed delay, in milliseconds; the told value errs by a normal draw of it.
    pub fixed_delay_u_ms: f64,
    /// Whether the connection interval at the session's start is told.
    pub connection_interval: bool,
}

impl Default for DeclareScenario {
    fn default() -> DeclareScenario {
        DeclareScenario { fixed_delay: true, fixed_delay_u_ms: 0.2, connection_interval: true }
    }
}

/// One stream of samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StreamScenario {
    /// Its name in the recording.
    pub name: String,
    /// Nominal sampling rate, in Hz.
    pub rate_hz: f64,
    /// Samples in each packet.
    pub samples_per_packet: u32,
    /// Each packet holds up to so many samples more or fewer, evenly at random; less than `samples_per_packet`. Notifications keep
    /// their length, so that all are equally long on the air.
    pub dither_samples: u32,
    /// The sequence number wraps at 2^sequence_bits; 8 to 32.
    pub sequence_bits: u32,
    /// Octets of the notification's value; 1 to 514.
    pub value_octets: u32,
    /// First sample after the reference stream's, in milliseconds.
    pub start_ms: f64,
}

impl Default for StreamScenario {
    fn default() -> StreamScenario {
        StreamScenario {
            name: "eeg".to_owned(),
            rate_hz: 250.0,
            samples_per_packet: 5,
            dither_samples: 0,
            sequence_bits: 16,
            value_octets: 128,
            start_ms: 0.0,
        }
    }
}

/// Stimuli in random order, and the taps that answer them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TrialsScenario {
    /// Time of the first stimulus, in seconds.
    pub start_s: f64,
    /// Shortest and longest time from one stimulus to the next, in seconds; evenly spread.
    pub interval_s: [f64; 2],
    /// Kinds of stimulus; none: no events.
    #[serde(rename = "stimulus")]
    pub stimuli: Vec<Stimulus>,
    /// The taps.
    pub response: Response,
}

impl Default for TrialsScenario {
    fn default() -> TrialsScenario {
        TrialsScenario {
            start_s: 5.0,
            interval_s: [1.2, 1.8],
            stimuli: vec![
                Stimulus { label: "standard".to_owned(), probability: 0.8, ..Stimulus::default() },
                Stimulus {
                    label: "target".to_owned(),
                    probability: 0.2,
                    response_probability: 0.95,
                    ..Stimulus::default()
                },
            ],
            response: Response::default(),
        }
    }
}

/// One kind of stimulus.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Stimulus {
    /// Its label.
    pub label: String,
    /// Its share of the stimuli; shares are divided by their sum.
    pub probability: f64,
    /// How long it lasts, in milliseconds.
    pub duration_ms: Option<f64>,
    /// Probability that it is answered by a tap.
    pub response_probability: f64,
    /// Declared time from the host stamp to the physical event, in milliseconds.
    pub latency_ms: f64,
    /// Its standard uncertainty, in milliseconds; the true latency is one normal draw for the session.
    pub latency_u_ms: f64,
}

impl Default for Stimulus {
    fn default() -> Stimulus {
        Stimulus {
            label: "stimulus".to_owned(),
            probability: 1.0,
            duration_ms: Some(75.0),
            response_probability: 0.02,
            latency_ms: 0.0,
            latency_u_ms: 0.0,
        }
    }
}

/// The tap that answers a stimulus: a lognormal reaction time beyond a least one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Response {
    /// Label of the tap.
    pub label: String,
    /// Least reaction time, in milliseconds.
    pub least_ms: f64,
    /// Median of what comes on top, in milliseconds.
    pub median_ms: f64,
    /// Standard deviation of its logarithm.
    pub sigma: f64,
    /// Declared time from the host stamp to the tap, in milliseconds; negative, as a tap is stamped after it happened.
    pub latency_ms: f64,
    /// Its standard uncertainty, in milliseconds.
    pub latency_u_ms: f64,
}

impl Default for Response {
    fn default() -> Response {
        Response {
            label: "tap".to_owned(),
            least_ms: 180.0,
            median_ms: 170.0,
            sigma: 0.4,
            latency_ms: 0.0,
            latency_u_ms: 0.0,
        }
    }
}

/// Two-way exchanges: the phone asks, the headset answers, four timestamps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ExchangeScenario {
    /// Time between requests, in seconds; 0: none.
    pub period_s: f64,
    /// Whether each request is shifted by an even random part of the interval, so that it does not beat with it.
    pub random_phase: bool,
    /// Octets of the request's and the reply's value.
    pub value_octets: u32,
    /// Time from the phone's stamp until the request can go, in milliseconds.
    pub request_delay_ms: f64,
    /// Time from receiving a request to queueing the reply, in milliseconds.
    pub turnaround_ms: f64,
    /// The reply waits for a further even random time up to this, in milliseconds.
    pub reply_dither_ms: f64,
    /// Where the headset stamps its reply.
    pub reply_stamp: ReplyStamp,
}

impl Default for ExchangeScenario {
    fn default() -> ExchangeScenario {
        ExchangeScenario {
            period_s: 0.0,
            random_phase: true,
            value_octets: 20,
            request_delay_ms: 0.5,
            turnaround_ms: 0.2,
            reply_dither_ms: 0.0,
            reply_stamp: ReplyStamp::Enqueue,
        }
    }
}

/// Where the headset stamps its reply.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReplyStamp {
    /// When it is queued; the wait for the radio is hidden in the way back.
    Enqueue,
    /// When it first goes on the air.
    Radio,
}

/// Instants seen by both clocks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MarkerScenario {
    /// Time between markers, in seconds; 0: none.
    pub period_s: f64,
    /// Standard deviation of the phone's stamp of a marker, in milliseconds.
    pub noise_ms: f64,
}

impl Default for MarkerScenario {
    fn default() -> MarkerScenario {
        MarkerScenario { period_s: 0.0, noise_ms: 0.05 }
    }
}

/// Something that goes wrong at `at_s` seconds from the session's start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Fault {
    /// The headset restarts: counters from 0, nothing sampled while it is off.
    Reboot {
        /// When it goes off, in seconds.
        at_s: f64,
        /// How long it is off, in seconds.
        off_s: f64,
    },
    /// The connection is lost and made anew: counters go on, the queue is emptied, the anchors get a new phase.
    Disconnection {
        /// When it is lost, in seconds.
        at_s: f64,
        /// How long until the new connection, in seconds.
        off_s: f64,
        /// Connection interval from then on, in milliseconds; as before where absent.
        #[serde(default)]
        interval_ms: Option<f64>,
    },
    /// The phone changes the connection interval; the anchors get a new phase, in steps of 1.25 ms.
    IntervalChange {
        /// When, in seconds.
        at_s: f64,
        /// Connection interval from then on, in milliseconds.
        interval_ms: f64,
    },
    /// The phone's clock is set.
    HostStep {
        /// When, in seconds.
        at_s: f64,
        /// By how much, in seconds; positive: forward.
        step_s: f64,
        /// After how many seconds it is set back; never where absent.
        #[serde(default)]
        return_after_s: Option<f64>,
    },
    /// The phone's clock is slewed: for a while it runs at another rate, and stays off by what that made.
    HostSlew {
        /// When it begins, in seconds.
        at_s: f64,
        /// For how long, in seconds.
        for_s: f64,
        /// How much faster it runs, in ppm; NTP and adjtime slew by up to 500.
        ppm: f64,
    },
    /// The phone sleeps: its clock and app stand still while the headset goes on.
    HostSuspend {
        /// When, in seconds.
        at_s: f64,
        /// For how long, in seconds.
        for_s: f64,
    },
    /// Nothing gets through; the headset goes on, and keeps its connection unless `link.supervision_timeout_ms` says otherwise.
    Silence {
        /// When, in seconds.
        at_s: f64,
        /// For how long, in seconds.
        for_s: f64,
    },
    /// One field of the first packet at or after `at_s` holds nonsense.
    CorruptStamp {
        /// When, in seconds.
        at_s: f64,
        /// The field.
        field: StampField,
        /// What it holds; 0 where absent.
        #[serde(default)]
        value: i64,
    },
    /// One field of the packets from `at_s` on is off, as if it came from another time; the order of the rows stays.
    StampOffset {
        /// When, in seconds.
        at_s: f64,
        /// The field.
        field: StampField,
        /// By how much, in milliseconds; a positive one of a tick is data from the future, a negative one of a host stamp was
        /// stamped before it was sampled.
        by_ms: f64,
        /// How many packets in a row; 1 where absent.
        #[serde(default = "one")]
        packets: u32,
    },
    /// The headset's counter jumps while samples and sequence numbers go on.
    TickStep {
        /// When, in seconds.
        at_s: f64,
        /// By how much, in seconds; positive: forward.
        step_s: f64,
    },
}

impl Fault {
    /// When it happens, in seconds from the session's start.
    pub fn at_s(&self) -> f64 {
        match self {
            Fault::Reboot { at_s, .. }
            | Fault::Disconnection { at_s, .. }
            | Fault::IntervalChange { at_s, .. }
            | Fault::HostStep { at_s, .. }
            | Fault::HostSlew { at_s, .. }
            | Fault::HostSuspend { at_s, .. }
            | Fault::Silence { at_s, .. }
            | Fault::CorruptStamp { at_s, .. }
            | Fault::StampOffset { at_s, .. }
            | Fault::TickStep { at_s, .. } => *at_s,
        }
    }
}

const fn one() -> u32 {
    1
}

/// What the app makes of its log: nothing of this is the link's or a clock's doing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LogScenario {
    /// A packet's value is overwritten before it is read where the next packet of its stream is handed over within so many
    /// milliseconds: its row then shows that one, which is read a second time. 0: never.
    pub overwritten_within_ms: f64,
    /// Whether each reconnection (faults `disconnection` and `reboot`) subscribes once more: after n of them each packet is in the log
    /// n + 1 times.
    pub subscriptions_pile_up: bool,
    /// Streams of which the log has no packet.
    pub without_streams: Vec<String>,
    /// Rows of packets after which the log ends; all where absent.
    pub packets_at_most: Option<u64>,
    /// Exchanges and markers are in the log from here on only, in seconds from the session's start.
    pub sightings_from_s: Option<f64>,
    /// And until here.
    pub sightings_to_s: Option<f64>,
}

/// A field that may be corrupted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StampField {
    /// The host stamp.
    HostNs,
    /// The device counter.
    Tick,
}

/// What the events of one label evoke: a Gaussian component after the true onset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Evoked {
    /// Amplitude of its peak, in µV; may be negative.
    pub amplitude_uv: f64,
    /// Time from the true onset to its peak, on the phone's clock, in milliseconds.
    pub latency_ms: f64,
    /// Its standard deviation, in milliseconds.
    pub width_ms: f64,
    /// Factor of the amplitude in each channel, the first one first; 1 in channels that have none.
    pub gains: Vec<f64>,
}

impl Default for Evoked {
    fn default() -> Evoked {
        Evoked { amplitude_uv: 8.0, latency_ms: 320.0, width_ms: 45.0, gains: Vec::new() }
    }
}

/// What the samples of a stream hold besides responses.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Background {
    /// The stream that has samples; the reference stream where absent.
    pub stream: Option<String>,
    /// Channels of it.
    pub channels: u32,
    /// Standard deviation of white noise, in µV, a draw of its own for each sample and channel.
    pub white_uv: f64,
    /// Root mean square of a rhythm that is alike in all channels, in µV; 0: none. Sixteen lines with frequencies drawn about
    /// `rhythm_hz` by 0.6 Hz.
    pub rhythm_uv: f64,
    /// Its mean frequency, in Hz.
    pub rhythm_hz: f64,
}

impl Default for Background {
    fn default() -> Background {
        Background { stream: None, channels: 1, white_uv: 10.0, rhythm_uv: 0.0, rhythm_hz: 10.0 }
    }
}

/// Why a scenario cannot be simulated.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScenarioError {
    /// The text is no TOML, or holds a key or type that no scenario has.
    Syntax {
        /// What is wrong.
        message: String,
        /// Line and column where it is known, from 1.
        place: Option<(usize, usize)>,
    },
    /// A value outside its range, or one that contradicts another.
    Value {
        /// The key, as in the file: `link.interval_ms`.
        key: String,
        /// What was expected and what was found.
        message: String,
    },
}

impl fmt::Display for ScenarioError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ScenarioError::Syntax { message, place: Some((line, column)) } => {
                write!(f, "line {line}, column {column}: {message}")
            }
            ScenarioError::Syntax { message, place: None } => write!(f, "{message}"),
            ScenarioError::Value { key, message } => write!(f, "{key}: {message}"),
        }
    }
}

impl std::error::Error for ScenarioError {}

/// What a recording asks of the name of a stream.
fn can_name_a_file(name: &str) -> bool {
    (1..=100).contains(&name.len())
        && !name.starts_with('.')
        && name.trim() == name
        && !name.contains(|character: char| matches!(character, '/' | '\\') || character.is_control())
}

/// The refusal of one key.
fn refuse<T>(key: impl Into<String>, message: impl Into<String>) -> Result<T, ScenarioError> {
    Err(ScenarioError::Value { key: key.into(), message: message.into() })
}

/// `value` lies in `low..=high` and is a number.
fn within(key: &str, value: f64, low: f64, high: f64) -> Result<(), ScenarioError> {
    if value >= low && value <= high {
        return Ok(());
    }
    refuse(key, format!("expected {low} to {high}, found {value}"))
}

fn whole_within(key: &str, value: u64, low: u64, high: u64) -> Result<(), ScenarioError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    refuse(key, format!("expected {low} to {high}, found {value}"))
}

fn multiple_of(key: &str, value_ms: f64, step_ms: f64) -> Result<(), ScenarioError> {
    if (value_ms / step_ms).fract() == 0.0 {
        return Ok(());
    }
    refuse(key, format!("expected a multiple of {step_ms} ms, found {value_ms}"))
}

/// Bluetooth Core, Vol 6 Part B 4.5.1: 7.5 ms to 4 s in steps of 1.25 ms (without the shorter intervals of version 6.2).
fn connection_interval(key: &str, interval_ms: f64) -> Result<(), ScenarioError> {
    within(key, interval_ms, 7.5, 4000.0)?;
    multiple_of(key, interval_ms, 1.25)
}

/// Bluetooth Core, Vol 6 Part B 4.5.2: 100 ms to 32 s in steps of 10 ms, more than twice the longest time between events.
fn supervision_timeout(timeout_ms: f64, interval_ms: f64, latency: u32) -> Result<(), ScenarioError> {
    let key = "link.supervision_timeout_ms";
    within(key, timeout_ms, 100.0, 32_000.0)?;
    multiple_of(key, timeout_ms, 10.0)?;
    let least_ms = (1.0 + f64::from(latency)) * interval_ms * 2.0;
    if timeout_ms <= least_ms {
        return refuse(
            key,
            format!(
                "expected more than (1 + peripheral latency) × interval × 2 = {least_ms} ms, found {timeout_ms}"
            ),
        );
    }
    Ok(())
}

/// No stream, label or session is longer than this, in seconds: two days.
const LONGEST_S: f64 = 172_800.0;

impl Scenario {
    /// Reads a scenario from TOML and checks it.
    ///
    /// # Errors
    /// [`ScenarioError::Syntax`] with line and column, or [`ScenarioError::Value`] with the key.
    pub fn from_toml(text: &str) -> Result<Scenario, ScenarioError> {
        let scenario: Scenario = toml::from_str(text).map_err(|error| ScenarioError::Syntax {
            message: error.message().to_owned(),
            place: error.span().map(|span| line_and_column(text, span.start)),
        })?;
        scenario.check()?;
        Ok(scenario)
    }

    /// The whole scenario as TOML, defaults written out: what [`Scenario::from_toml`] reads back.
    ///
    /// # Errors
    /// [`ScenarioError::Syntax`] for an integer above 2^63 − 1, which TOML cannot hold.
    pub fn to_toml(&self) -> Result<String, ScenarioError> {
        toml::to_string(self)
            .map_err(|error| ScenarioError::Syntax { message: error.to_string(), place: None })
    }

    /// Whether every value lies in its range.
    ///
    /// # Errors
    /// [`ScenarioError::Value`] for the first that does not.
    pub fn check(&self) -> Result<(), ScenarioError> {
        within("duration_s", self.duration_s, 1.0, LONGEST_S)?;
        self.check_device()?;
        self.check_host()?;
        self.check_streams()?;
        self.check_link()?;
        within("declare.fixed_delay_u_ms", self.declare.fixed_delay_u_ms, 0.0, 1000.0)?;
        self.check_events()?;
        self.check_samples()?;
        self.check_log()?;
        self.check_faults()
    }

    fn check_device(&self) -> Result<(), ScenarioError> {
        let device = &self.device;
        within("device.tick_hz", device.tick_hz, 1.0, 1e10)?;
        whole_within("device.tick_bits", u64::from(device.tick_bits), 16, 64)?;
        within("device.tolerance_ppm", device.tolerance_ppm, 1e-3, 20_000.0)?;
        within("device.offset_ppm", device.offset_ppm, -20_000.0, 20_000.0)?;
        within("device.warm_up_ppm", device.warm_up_ppm, -1000.0, 1000.0)?;
        within("device.warm_up_tau_s", device.warm_up_tau_s, 1.0, LONGEST_S)?;
        within("device.random_walk_per_sqrt_s", device.random_walk_per_sqrt_s, 0.0, 1e-6)?;
        if let Some(temperature) = &device.temperature {
            within("device.temperature.k_ppm_per_c2", temperature.k_ppm_per_c2, -1.0, 1.0)?;
            within("device.temperature.turnover_c", temperature.turnover_c, -100.0, 200.0)?;
            within("device.temperature.from_c", temperature.from_c, -100.0, 200.0)?;
            within("device.temperature.to_c", temperature.to_c, -100.0, 200.0)?;
            within("device.temperature.tau_s", temperature.tau_s, 1.0, LONGEST_S)?;
        }
        within("device.sample_ppm", device.sample_ppm, -1000.0, 1000.0)?;
        if device.sample_ppm != 0.0 && !device.ticks {
            return refuse(
                "device.sample_ppm",
                "expected device.ticks = true: else the samples are the clock",
            );
        }
        if let Some(step) = &device.rate_step {
            within("device.rate_step.at_s", step.at_s, 0.0, self.duration_s)?;
            within("device.rate_step.ppm", step.ppm, -1000.0, 1000.0)?;
            within("device.rate_step.tau_s", step.tau_s, 0.0, LONGEST_S)?;
        }
        within("device.processing_ms", device.processing_ms, 0.0, 1000.0)?;
        within("device.jitter_ms", device.jitter_ms, 0.0, 1000.0)?;
        whole_within("device.queue_packets", device.queue_packets as u64, 1, 100_000)
    }

    fn check_host(&self) -> Result<(), ScenarioError> {
        let host = &self.host;
        whole_within("host.origin_ns", host.origin_ns.unsigned_abs(), 0, 4_000_000_000_000_000_000)?;
        within("host.resolution_ns", host.resolution_ns, 1.0, 1e9)?;
        within("host.fixed_delay_ms", host.fixed_delay_ms, 0.0, 10_000.0)?;
        within("host.stack_delay_ms", host.stack_delay_ms, 0.0, 10_000.0)?;
        within("host.tail_probability", host.tail_probability, 0.0, 1.0)?;
        within("host.tail_median_ms", host.tail_median_ms, 0.0, 10_000.0)?;
        within("host.tail_sigma", host.tail_sigma, 0.0, 3.0)?;
        within("host.stalls_per_hour", host.stalls_per_hour, 0.0, 100_000.0)?;
        within("host.stall_ms", host.stall_ms, 0.0, 600_000.0)?;
        within("host.batching_ms", host.batching_ms, 0.0, 600_000.0)?;
        within("host.loss", host.loss, 0.0, 1.0)?;
        within("host.duplicates", host.duplicates, 0.0, 1.0)?;
        within("host.duplicate_delay_ms", host.duplicate_delay_ms, 0.0, 60_000.0)?;
        within("host.reordering", host.reordering, 0.0, 1.0)
    }

    fn check_streams(&self) -> Result<(), ScenarioError> {
        whole_within("stream", self.streams.len() as u64, 1, 64)?;
        for (place, stream) in self.streams.iter().enumerate() {
            let key = |field: &str| format!("stream[{place}].{field}");
            if stream.name.is_empty() || self.streams[..place].iter().any(|other| other.name == stream.name) {
                return refuse(key("name"), format!("expected a name of its own, found {:?}", stream.name));
            }
            if !can_name_a_file(&stream.name) {
                let expected = "expected a name that can be a file name: 1 to 100 bytes, no slash, backslash or control character, \
                                no dot or space in front, no space at the end";
                return refuse(key("name"), format!("{expected}, found {:?}", stream.name));
            }
            within(&key("rate_hz"), stream.rate_hz, 0.1, 100_000.0)?;
            whole_within(&key("samples_per_packet"), u64::from(stream.samples_per_packet), 1, 10_000)?;
            let most_dither = u64::from(stream.samples_per_packet) - 1;
            whole_within(&key("dither_samples"), u64::from(stream.dither_samples), 0, most_dither)?;
            if stream.dither_samples > 0 && !self.device.ticks {
                return refuse(
                    key("dither_samples"),
                    "expected device.ticks = true: the sequence number no longer tells how many samples were taken",
                );
            }
            whole_within(&key("sequence_bits"), u64::from(stream.sequence_bits), 8, 32)?;
            whole_within(&key("value_octets"), u64::from(stream.value_octets), 1, 514)?;
            within(&key("start_ms"), stream.start_ms, 0.0, 60_000.0)?;
            let period_ms = stream.packet_period_ms();
            if period_ms < 1.0 {
                return refuse(
                    key("samples_per_packet"),
                    format!("expected a packet period of 1 ms or more, found {period_ms} ms"),
                );
            }
        }
        Ok(())
    }

    fn check_link(&self) -> Result<(), ScenarioError> {
        let link = &self.link;
        match link.kind {
            LinkKind::ConnectionEvents => connection_interval("link.interval_ms", link.interval_ms)?,
            LinkKind::TimeSlots => {
                within("link.interval_ms", link.interval_ms, 0.5, 10_000.0)?;
                within("link.slot_air_ms", link.slot_air_ms, 0.01, link.interval_ms)?;
            }
            LinkKind::Constant | LinkKind::OneSided => {}
        }
        within("link.radio_ppm", link.radio_ppm, -500.0, 500.0)?;
        whole_within("link.largest_payload_octets", u64::from(link.largest_payload_octets), 27, 251)?;
        whole_within("link.packets_per_event", u64::from(link.packets_per_event), 1, 1000)?;
        whole_within("link.peripheral_latency", u64::from(link.peripheral_latency), 0, 499)?;
        within("link.error_rate", link.error_rate, 0.0, 1.0)?;
        within("link.burst_probability", link.burst_probability, 0.0, 1.0)?;
        within("link.burst_events", link.burst_events, 1.0, 1e6)?;
        within("link.burst_error_rate", link.burst_error_rate, 0.0, 1.0)?;
        within("link.fades_per_hour", link.fades_per_hour, 0.0, 10_000.0)?;
        within("link.fade_s", link.fade_s, 0.0, 10_000.0)?;
        within("link.reconnection_s", link.reconnection_s, 0.01, LONGEST_S)?;
        if let Some(timeout_ms) = link.supervision_timeout_ms {
            if link.kind != LinkKind::ConnectionEvents {
                return refuse("link.supervision_timeout_ms", "expected link.kind = \"connection-events\"");
            }
            supervision_timeout(timeout_ms, link.interval_ms, link.peripheral_latency)?;
        }
        self.check_channels()?;
        within("link.least_ms", link.least_ms, 0.0, 10_000.0)?;
        within("link.noise_ms", link.noise_ms, 0.0, 10_000.0)?;
        within("link.noise_shape", link.noise_shape, 0.05, 100.0)?;
        if link.kind == LinkKind::ConnectionEvents {
            let event_ms = link.event_length_ms.unwrap_or(link.interval_ms);
            within("link.event_length_ms", event_ms, 0.5, link.interval_ms)?;
            // A packet that needs two events has no fixed delay: it would depend on where in an event it begins.
            let needed_ms = self.longest_packet_ms();
            if needed_ms > event_ms {
                return refuse(
                    "link.event_length_ms",
                    format!("expected room for one packet, {needed_ms} ms, found {event_ms} ms"),
                );
            }
            let fragments = air::fragments_octets(self.most_octets(), link.largest_payload_octets).len();
            if fragments > link.packets_per_event as usize {
                return refuse(
                    "link.packets_per_event",
                    format!(
                        "expected {fragments} or more, one packet's fragments, found {}",
                        link.packets_per_event
                    ),
                );
            }
        }
        Ok(())
    }

    fn check_channels(&self) -> Result<(), ScenarioError> {
        let link = &self.link;
        whole_within("link.hop_increment", u64::from(link.hop_increment), 5, 16)?;
        within("link.bad_channel_error_rate", link.bad_channel_error_rate, 0.0, 1.0)?;
        for (key, channels) in
            [("link.unused_channels", &link.unused_channels), ("link.bad_channels", &link.bad_channels)]
        {
            for (place, channel) in channels.iter().enumerate() {
                whole_within(key, u64::from(*channel), 0, u64::from(CHANNELS) - 1)?;
                if channels[..place].contains(channel) {
                    return refuse(key, format!("expected each channel once, found {channel} twice"));
                }
            }
        }
        let used = u64::from(CHANNELS) - link.unused_channels.len() as u64;
        if used < 2 {
            return refuse(
                "link.unused_channels",
                format!("expected at least two channels left, found {used}"),
            );
        }
        whole_within("link.other_link", link.other_links.len() as u64, 0, 16)?;
        for (place, other) in link.other_links.iter().enumerate() {
            connection_interval(&format!("link.other_link[{place}].interval_ms"), other.interval_ms)?;
            within(&format!("link.other_link[{place}].event_ms"), other.event_ms, 0.1, other.interval_ms)?;
        }
        let none = link.bad_channels.is_empty() && link.other_links.is_empty();
        if link.kind != LinkKind::ConnectionEvents && !none {
            return refuse(
                "link.kind",
                "expected \"connection-events\": channels and other links are modelled for it only",
            );
        }
        Ok(())
    }

    /// Time from a connection event that the longest packet takes, all its fragments, in milliseconds.
    fn longest_packet_ms(&self) -> f64 {
        let mic_octets = if self.link.encrypted { 4 } else { 0 };
        let fragments = air::fragments_octets(self.most_octets(), self.link.largest_payload_octets);
        let exchanges_us =
            fragments.into_iter().map(|octets| air::exchange_us(self.link.phy, octets, mic_octets));
        f64::from(exchanges_us.sum::<u32>()) * 1e-3
    }

    fn most_octets(&self) -> u32 {
        let of_streams = self.streams.iter().map(|stream| stream.value_octets).max().unwrap_or(0);
        if self.exchanges.period_s > 0.0 { of_streams.max(self.exchanges.value_octets) } else { of_streams }
    }

    fn check_events(&self) -> Result<(), ScenarioError> {
        let trials = &self.trials;
        within("trials.start_s", trials.start_s, 0.0, LONGEST_S)?;
        let [shortest_s, longest_s] = trials.interval_s;
        within("trials.interval_s", shortest_s, 0.01, LONGEST_S)?;
        within("trials.interval_s", longest_s, shortest_s, LONGEST_S)?;
        let mut total = 0.0;
        for (place, stimulus) in trials.stimuli.iter().enumerate() {
            let key = |field: &str| format!("trials.stimulus[{place}].{field}");
            let taken = trials.stimuli[..place].iter().any(|other| other.label == stimulus.label)
                || stimulus.label == trials.response.label;
            if stimulus.label.is_empty() || taken {
                return refuse(
                    key("label"),
                    format!("expected a label of its own, found {:?}", stimulus.label),
                );
            }
            within(&key("probability"), stimulus.probability, 0.0, 1e6)?;
            within(&key("duration_ms"), stimulus.duration_ms.unwrap_or(0.0), 0.0, 1e7)?;
            within(&key("response_probability"), stimulus.response_probability, 0.0, 1.0)?;
            within(&key("latency_ms"), stimulus.latency_ms, -10_000.0, 10_000.0)?;
            within(&key("latency_u_ms"), stimulus.latency_u_ms, 0.0, 1000.0)?;
            total += stimulus.probability;
        }
        if !trials.stimuli.is_empty() && total <= 0.0 {
            return refuse("trials.stimulus", "expected a probability above 0, found none");
        }
        let response = &trials.response;
        if response.label.is_empty() {
            return refuse("trials.response.label", "expected a label, found none");
        }
        within("trials.response.least_ms", response.least_ms, 0.0, 1e5)?;
        within("trials.response.median_ms", response.median_ms, 0.0, 1e5)?;
        within("trials.response.sigma", response.sigma, 0.0, 2.0)?;
        within("trials.response.latency_ms", response.latency_ms, -10_000.0, 10_000.0)?;
        within("trials.response.latency_u_ms", response.latency_u_ms, 0.0, 1000.0)?;

        let exchanges = &self.exchanges;
        within("exchanges.period_s", exchanges.period_s, 0.0, LONGEST_S)?;
        whole_within("exchanges.value_octets", u64::from(exchanges.value_octets), 1, 20)?;
        within("exchanges.request_delay_ms", exchanges.request_delay_ms, 0.0, 1000.0)?;
        within("exchanges.turnaround_ms", exchanges.turnaround_ms, 0.0, 1000.0)?;
        within("exchanges.reply_dither_ms", exchanges.reply_dither_ms, 0.0, 10_000.0)?;
        within("markers.period_s", self.markers.period_s, 0.0, LONGEST_S)?;
        within("markers.noise_ms", self.markers.noise_ms, 0.0, 1000.0)?;
        for (key, period_s) in
            [("exchanges.period_s", exchanges.period_s), ("markers.period_s", self.markers.period_s)]
        {
            if period_s > 0.0 {
                within(key, period_s, 0.05, LONGEST_S)?;
                if !self.device.ticks {
                    return refuse(key, "expected device.ticks = true: this needs the headset's counter");
                }
            }
        }
        Ok(())
    }

    fn check_samples(&self) -> Result<(), ScenarioError> {
        for (label, evoked) in &self.responses {
            let key = |field: &str| format!("response.{label}.{field}");
            let trials = &self.trials;
            let known = trials.response.label == *label
                || trials.stimuli.iter().any(|stimulus| stimulus.label == *label);
            if !known {
                return refuse(format!("response.{label}"), "expected the label of a stimulus or of the tap");
            }
            within(&key("amplitude_uv"), evoked.amplitude_uv, -1e6, 1e6)?;
            within(&key("latency_ms"), evoked.latency_ms, -10_000.0, 10_000.0)?;
            within(&key("width_ms"), evoked.width_ms, 0.01, 10_000.0)?;
            for gain in &evoked.gains {
                within(&key("gains"), *gain, -1000.0, 1000.0)?;
            }
        }
        let Some(background) = &self.background else { return Ok(()) };
        if let Some(name) = &background.stream
            && !self.streams.iter().any(|stream| stream.name == *name)
        {
            return refuse("background.stream", format!("expected the name of a stream, found {name:?}"));
        }
        whole_within("background.channels", u64::from(background.channels), 1, 512)?;
        within("background.white_uv", background.white_uv, 0.0, 1e6)?;
        within("background.rhythm_uv", background.rhythm_uv, 0.0, 1e6)?;
        within("background.rhythm_hz", background.rhythm_hz, 0.0, 1000.0)
    }

    fn check_log(&self) -> Result<(), ScenarioError> {
        let log = &self.log;
        within("log.overwritten_within_ms", log.overwritten_within_ms, 0.0, 60_000.0)?;
        for name in &log.without_streams {
            if !self.streams.iter().any(|stream| stream.name == *name) {
                return refuse("log.without_streams", format!("expected names of streams, found {name:?}"));
            }
        }
        let from_s = log.sightings_from_s.unwrap_or(0.0);
        within("log.sightings_from_s", from_s, 0.0, LONGEST_S)?;
        within("log.sightings_to_s", log.sightings_to_s.unwrap_or(LONGEST_S), from_s, LONGEST_S)
    }

    fn check_faults(&self) -> Result<(), ScenarioError> {
        // Reboots and disconnections take turns: one is over before the next begins.
        let mut outages = Vec::new();
        for (place, fault) in self.faults.iter().enumerate() {
            let key = |field: &str| format!("fault[{place}].{field}");
            within(&key("at_s"), fault.at_s(), 0.0, self.duration_s)?;
            match fault {
                Fault::Reboot { at_s, off_s } => {
                    within(&key("off_s"), *off_s, 0.1, LONGEST_S)?;
                    outages.push((*at_s, *at_s + *off_s));
                }
                Fault::Disconnection { at_s, off_s, interval_ms } => {
                    self.check_new_interval(&key("interval_ms"), *interval_ms)?;
                    within(&key("off_s"), *off_s, 0.01, LONGEST_S)?;
                    outages.push((*at_s, *at_s + *off_s));
                }
                Fault::IntervalChange { at_s, interval_ms } => {
                    self.check_new_interval(&key("interval_ms"), Some(*interval_ms))?;
                    outages.push((*at_s, *at_s));
                }
                Fault::HostStep { step_s, return_after_s, .. } => {
                    within(&key("step_s"), *step_s, -1e8, 1e8)?;
                    within(&key("return_after_s"), return_after_s.unwrap_or(0.0), 0.0, LONGEST_S)?;
                }
                Fault::HostSuspend { for_s, .. } | Fault::Silence { for_s, .. } => {
                    within(&key("for_s"), *for_s, 0.01, LONGEST_S)?;
                }
                Fault::HostSlew { for_s, ppm, .. } => {
                    within(&key("for_s"), *for_s, 0.01, LONGEST_S)?;
                    within(&key("ppm"), *ppm, -100_000.0, 100_000.0)?;
                }
                Fault::StampOffset { field, by_ms, packets, .. } => {
                    within(&key("by_ms"), *by_ms, -1e8, 1e8)?;
                    whole_within(&key("packets"), u64::from(*packets), 1, 1_000_000)?;
                    self.check_stamped(&key("field"), *field)?;
                }
                Fault::CorruptStamp { field, value, .. } => {
                    if *field == StampField::Tick && *value < 0 {
                        return refuse(
                            key("value"),
                            format!("expected a counter of 0 or more, found {value}"),
                        );
                    }
                    self.check_stamped(&key("field"), *field)?;
                }
                Fault::TickStep { step_s, .. } => {
                    within(&key("step_s"), *step_s, -1e6, 1e6)?;
                    if !self.device.ticks {
                        return refuse(
                            key("kind"),
                            "expected device.ticks = true: there is no counter to step",
                        );
                    }
                }
            }
        }
        outages.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some(pair) = outages.windows(2).find(|pair| pair[1].0 < pair[0].1 || pair[1].0 == pair[0].0) {
            return refuse(
                "fault",
                format!(
                    "expected the outage at {} s to be over before the next begins at {} s",
                    pair[0].0, pair[1].0
                ),
            );
        }
        Ok(())
    }

    /// Packets carry the field.
    fn check_stamped(&self, key: &str, field: StampField) -> Result<(), ScenarioError> {
        if field == StampField::Tick && !self.device.ticks {
            return refuse(key, "expected device.ticks = true: there is no counter to corrupt");
        }
        Ok(())
    }

    fn check_new_interval(&self, key: &str, interval_ms: Option<f64>) -> Result<(), ScenarioError> {
        let Some(interval_ms) = interval_ms else { return Ok(()) };
        match self.link.kind {
            LinkKind::ConnectionEvents => {
                connection_interval(key, interval_ms)?;
                if let Some(timeout_ms) = self.link.supervision_timeout_ms {
                    supervision_timeout(timeout_ms, interval_ms, self.link.peripheral_latency)?;
                }
                within(key, interval_ms, self.longest_packet_ms(), 4000.0)
            }
            LinkKind::TimeSlots => within(key, interval_ms, self.link.slot_air_ms, 10_000.0),
            LinkKind::Constant | LinkKind::OneSided => {
                refuse(key, "expected a link with an interval: kinds connection-events and time-slots")
            }
        }
    }
}

impl StreamScenario {
    /// Time from one packet's first sample to the next one's, at nominal rate, in milliseconds.
    pub fn packet_period_ms(&self) -> f64 {
        f64::from(self.samples_per_packet) / self.rate_hz * 1e3
    }
}

/// Line and column, both from 1, of a byte offset.
fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let before = &text[..offset.min(text.len())];
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    (line, column)
}
