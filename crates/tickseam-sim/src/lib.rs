//! A seeded simulator of wireless links that deliver samples late, in bursts, reordered or never.
