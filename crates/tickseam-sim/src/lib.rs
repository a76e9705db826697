//! A seeded simulator of wireless links that deliver samples late, in bursts, reordered or never.
//!
//! A headset samples on its own crystal and sends packets; a phone stamps each when its app is called. Between the two lie
//! a transmit queue, a radio that gives packets their turn, and a stack that takes its time. The simulator knows the truth
//! and writes it down beside what an app would have recorded.
//!
//! Positive drift = the headset's clock runs fast against the phone's.
//!
//! With a table `[response.LABEL]` or `[background]` in a scenario there are samples too ([`Samples`], `<stream>.npy` of the recording): each event
//! of the label evokes a Gaussian component at its *true* onset, so that an average has a known answer. Everything else of the recording
//! stays as it was, bit for bit.
//!
//! ```toml
//! [response.target]
//! amplitude_uv = 8.0
//! latency_ms = 320.0     # of the peak, after the true onset
//! width_ms = 45.0        # standard deviation
//!
//! [background]
//! channels = 2
//! white_uv = 10.0
//! rhythm_uv = 6.0
//! ```
//!
//! `[log]` is what the app makes of its log: values overwritten before they are read, subscriptions that pile up, streams that are
//! missing ([`scenario::LogScenario`]). `[expect]` is for whoever holds an alignment against its limits; the simulator passes over it.
//!
//! ```
//! use tickseam_sim::{Scenario, simulate};
//!
//! let scenario = Scenario::from_toml("duration_s = 60\n[link]\ninterval_ms = 30.0\nerror_rate = 0.05\n")?;
//! let session = simulate(&scenario, 1)?;
//! assert_eq!(session.packets.len() as u64, session.statistics.received);
//! assert_eq!(session.events.len(), session.truth.events.len());
//! # Ok::<(), tickseam_sim::ScenarioError>(())
//! ```

pub mod air;
pub mod beat;
mod crystal;
mod device;
mod host;
mod link;
mod log;
mod radio;
mod random;
mod random_scenario;
mod samples;
pub mod scenario;
mod simulate;
mod trials;

pub use beat::common_divisor_ms;
pub use crystal::{TrueClock, tuning_fork_ppm};
pub use random_scenario::random_scenario;
pub use samples::Samples;
pub use scenario::{Scenario, ScenarioError};
pub use simulate::{
    Class, Description, Event, EventLatency, Exchange, Marker, Packet, RadioEvent, Simulated, Statistics,
    Stream, TrueClockPoint, TrueOnset, TruePlace, Truth, simulate,
};
