//! A seeded simulator of wireless links that deliver samples late, in bursts, reordered or never.
//!
//! A headset samples on its own crystal and sends packets; a phone stamps each when its app is called. Between the two lie
//! a transmit queue, a radio that gives packets their turn, and a stack that takes its time. The simulator knows the truth
//! and writes it down beside what an app would have recorded.
//!
//! Positive drift = the headset's clock runs fast against the phone's.
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
mod radio;
mod random;
mod random_scenario;
pub mod scenario;
mod simulate;
mod trials;

pub use beat::common_divisor_ms;
pub use crystal::{TrueClock, tuning_fork_ppm};
pub use random_scenario::random_scenario;
pub use scenario::{Scenario, ScenarioError};
pub use simulate::{
    Class, Description, Event, EventLatency, Exchange, Marker, Packet, RadioEvent, Simulated, Statistics,
    Stream, TrueClockPoint, TrueOnset, Truth, simulate,
};
