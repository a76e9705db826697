//! The estimation core from outside: what must hold for every input, and how well it knows what it says it knows.

mod arrivals;
mod batches;
mod beacons;
mod blocks;
mod envelope;
mod exchanges;
mod filters;
mod live;
mod regions;
mod replays;
mod rise;
mod series;
mod together;
