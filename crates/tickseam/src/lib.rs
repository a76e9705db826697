//! Which sample of a wireless headset belongs to which instant of the phone's clock, and how sure that is.
#![no_std]

pub mod gaps;
pub mod intake;
pub mod serial;
