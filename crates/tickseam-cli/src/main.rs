//! The tickseam command.

fn main() {}
