//! Which sample of a wireless headset belongs to which instant of the phone's clock, and how sure that is.
//!
//! A phone stamps packets of a headset when they arrive: late, in bursts, twice, out of order or never. The two crystals
//! disagree and drift. From these stamps the library estimates the clocks' offset and drift and places events of the
//! phone's clock on the headset's sample timeline, each with the half-width of a 95 % interval.
//!
//! ```text
//! packet stamp → intake (unwrap, gaps, segments) → sync pair → block → (rate, offset) region → knot → clock map, placement
//! ```
//!
//! - [`reception`] restores the order of a log that was written out of it.
//! - [`intake`] turns wrapping counters into positions, [`gaps`] lists what is missing.
//! - [`pair`] and [`block`]: what an observation says of both clocks. An arrival is an inequality, not a measurement.
//! - [`select`] and [`mod@line`]: weighted linear regression over sync pairs selected on the lower envelope: the working frame,
//!   and the estimate where nothing but noise is between stamp and clock.
//! - [`filter`] and [`region`]: what all bounds together leave possible, under limits on the crystal's wander.
//! - [`session`] joins what an app needs on the live path: [`settling`] intake, frame, estimator, gaps; [`batch`] replays a
//!   whole recording by the same parts, [`timeline`] and [`sightings`] lay it out.
//! - [`live`] answers while the session runs, [`clocks`] across settings of the host's clock too; [`replay`] looks at all of it, forwards
//!   and backwards, with the same parts.
//! - [`placement`] and [`map`]: events on the timeline, clock maps that go both ways and chain.
//!
//! **Sign**: positive drift = the headset's clock runs fast against the phone's. **Units** are in the names. Times are
//! arguments: the library reads no clock, allocates nothing, panics nowhere and uses only + − × ÷, √, rounding and comparisons, so
//! that the same input gives the same bits everywhere.
#![no_std]

pub mod backlog;
pub mod batch;
pub mod block;
pub mod clocks;
pub mod exchange;
pub mod filter;
pub mod frame;
pub mod gaps;
pub mod gate;
pub mod intake;
mod lattice;
pub mod line;
pub mod live;
pub mod map;
mod number;
pub mod pair;
pub mod placement;
pub mod reception;
pub mod region;
pub mod replay;
pub mod rise;
mod scatter;
pub mod select;
pub mod serial;
pub mod session;
pub mod settling;
pub mod setup;
pub mod sightings;
mod sorting;
pub mod student;
pub mod timeline;
pub mod two_way;
mod unseen;
pub mod variation;
pub mod watch;

#[cfg(doctest)]
#[doc = include_str!("../../../README.md")]
struct Readme;
