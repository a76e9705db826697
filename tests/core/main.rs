//! The estimation core from outside: what must hold for every input, and how well it knows what it says it knows.

mod regions;
