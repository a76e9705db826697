//! Recording folders: reading what a phone captured, writing what an alignment found.
