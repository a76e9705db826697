//! Which packet schedule to build: every one of a grid is simulated and aligned, and they are ranked by the error made.
//!
//! One direction: [`plan`] (what is asked) → [`sweep`] (simulate, align, judge) → [`advice`] (rank, say why, mend) →
//! [`table`], [`json`], [`page`] (three ways to show the same).
//!
//! # The file
//!
//! Every key may be left out. A number of choices or conditions is one value, a list, or `{ from = 15, to = 45, step = 1.25 }`.
//!
//! | key | meaning | where absent |
//! | --- | --- | --- |
//! | `samples_per_packet` | choice: samples in a packet | the scenario's, two fewer to two more |
//! | `dither_samples` | choice: each packet holds up to so many more or fewer, at random | 0 |
//! | `interval_ms` | choice: connection interval asked for, 7.5 to 4000 in steps of 1.25 | 15, 20, 30 and the scenario's |
//! | `octets_per_sample` | choice: octets of a sample, all channels; a packet's value grows with its samples | the scenario's `value_octets` for all |
//! | `packet_octets` | octets of a value besides its samples | 0 |
//! | `exchange_period_s` | choice: a time stamp exchange so often; 0: none | 0 |
//! | `tick_stamp` | choice: where the firmware reads the counter: `first-sample`, `last-sample`, `enqueue`, `radio-event`; the estimate takes all for the first | the scenario's, `first-sample` |
//! | `reply_dither_ms` | the headset's replies wait up to so long, at random | one interval |
//! | `grants_ms` | intervals that the phone grants: the next longer one to what is asked, else its longest | what is asked |
//! | `error_rate` | condition: share of transmissions that fail | 0.05 |
//! | `drift_ppm` | condition: the headset's clock against the phone's | −25, −10, 10, 25 |
//! | `session_s` | length of a session | 300 |
//! | `seeds`, `first_seed` | seeds for each condition | 6, 1 |
//! | `target_ms` | error and half-width that are wanted | 1 |
//! | `[radio]` | what is assumed of the radio's charge: [`radio::Radio`] | its defaults |
//! | `[scenario]` | everything else, as in a scenario of `tickseam simulate` ([`tickseam_sim::Scenario`]) | its defaults, with the fixed delay known exactly |
//!
//! All combinations of choices are schedules; each meets all combinations of conditions with every seed. The events placed are one
//! about each second, so `scenario.trials` does not matter.

pub mod advice;
pub mod json;
pub mod page;
pub mod plan;
pub mod radio;
pub mod sweep;
pub mod table;
