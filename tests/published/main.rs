//! The library against numbers that others published: standards, handbooks, reference data sets.
//!
//! `README.md` beside this file says where each number comes from and how far it can be trusted.

mod averaging;
mod exchange;
mod packet_delay;
mod serial_numbers;
mod stability;
mod straight_line;
mod student;
