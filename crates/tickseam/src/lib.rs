//! Which sample of a wireless headset belongs to which instant of the phone's clock, and how sure that is.
#![no_std]

pub mod exchange;
pub mod gaps;
pub mod line;
pub mod serial;
pub mod student;
pub mod variation;
