//! Which sample of a wireless headset belongs to which instant of the phone's clock, and how sure that is.
#![no_std]

pub mod block;
pub mod filter;
mod lattice;
pub mod line;
mod number;
pub mod region;
pub mod replay;
mod scatter;
pub mod select;
pub mod student;
