//! Which sample of a wireless headset belongs to which instant of the phone's clock, and how sure that is.
#![no_std]

pub mod block;
pub mod exchange;
pub mod filter;
pub mod frame;
pub mod gaps;
pub mod intake;
mod lattice;
pub mod line;
pub mod live;
pub mod map;
mod number;
pub mod pair;
pub mod placement;
pub mod region;
pub mod replay;
mod scatter;
pub mod select;
pub mod serial;
pub mod setup;
pub mod student;
pub mod variation;
