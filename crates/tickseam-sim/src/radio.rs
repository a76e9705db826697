//! What a radio does besides its packets: channels it hops over, and other links that it serves.

use crate::random::{Purpose, Random};
use crate::scenario::{LinkScenario, Scenario};

/// Data channels of Bluetooth LE (Vol 6 Part B 1.4.1).
pub(crate) const CHANNELS: u32 = 37;

/// The channel of each connection event by channel selection algorithm 1 (Vol 6 Part B 4.5.8.2; from memory): the unmapped channel
/// goes on by the hop increment, modulo 37; one that is not used is remapped into the list of those that are.
pub(crate) struct Hops {
    unmapped: u32,
    increment: u32,
    used: Vec<u32>,
    bad: Vec<u32>,
}

impl Hops {
    pub(crate) fn new(link: &LinkScenario) -> Hops {
        Hops {
            unmapped: 0,
            increment: link.hop_increment,
            used: (0..CHANNELS).filter(|channel| !link.unused_channels.contains(channel)).collect(),
            bad: link.bad_channels.clone(),
        }
    }

    /// The channel of the next connection event.
    fn next(&mut self) -> u32 {
        self.unmapped = (self.unmapped + self.increment) % CHANNELS;
        if self.used.contains(&self.unmapped) {
            self.unmapped
        } else {
            self.used[self.unmapped as usize % self.used.len()]
        }
    }

    /// Whether the next connection event falls on a bad channel.
    pub(crate) fn next_is_bad(&mut self) -> bool {
        !self.bad.is_empty() && {
            let channel = self.next();
            self.bad.contains(&channel)
        }
    }
}

/// Other links of the phone's radio. Whoever had to yield the last time that two events met has its turn; an event that is not
/// over when another link's begins ends there. A simple model of our own: phones differ, and no source was found.
pub(crate) struct OtherLinks {
    /// First anchor, interval, length of an event, in host seconds.
    links: Vec<(f64, f64, f64)>,
    yielded: bool,
}

impl OtherLinks {
    pub(crate) fn new(scenario: &Scenario, seed: u64) -> OtherLinks {
        let link = &scenario.link;
        let rate = 1.0 + link.radio_ppm * 1e-6;
        let mut random = Random::new(seed, Purpose::OtherLinks);
        OtherLinks {
            links: link
                .other_links
                .iter()
                .map(|other| {
                    let interval_s = other.interval_ms * 1e-3 / rate;
                    // Before the session begins, so that an event may be under way then.
                    ((random.uniform() - 1.0) * interval_s, interval_s, other.event_ms * 1e-3 / rate)
                })
                .collect(),
            yielded: false,
        }
    }

    /// Time since the link's newest anchor at or before `at_s`.
    fn since_s((anchor_s, interval_s, _): (f64, f64, f64), at_s: f64) -> f64 {
        let events = ((at_s - anchor_s) / interval_s).floor();
        at_s - (anchor_s + events * interval_s)
    }

    /// Whether the phone is with another link when this one's event should begin.
    pub(crate) fn take(&mut self, anchor_s: f64) -> bool {
        let busy = self.links.iter().any(|link| Self::since_s(*link, anchor_s) < link.2);
        if busy {
            self.yielded = !self.yielded;
        }
        busy && self.yielded
    }

    /// How long an event that begins at `anchor_s` can be at most, in seconds.
    pub(crate) fn room_s(&self, anchor_s: f64) -> f64 {
        self.links.iter().map(|link| link.1 - Self::since_s(*link, anchor_s)).fold(f64::INFINITY, f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::{CHANNELS, Hops};
    use crate::scenario::LinkScenario;

    fn hops(unused_channels: Vec<u32>, hop_increment: u32) -> Vec<u32> {
        let link = LinkScenario { unused_channels, hop_increment, ..LinkScenario::default() };
        let mut hops = Hops::new(&link);
        (0..CHANNELS).map(|_| hops.next()).collect()
    }

    // 37 is prime: whatever the increment, each channel comes once in 37 events.
    #[test]
    fn every_channel_comes_once_in_thirty_seven_events() {
        for increment in 5..=16 {
            let mut channels = hops(vec![], increment);
            assert_eq!(channels[..2], [increment, 2 * increment]);
            channels.sort_unstable();
            assert!(channels.into_iter().eq(0..CHANNELS));
        }
    }

    #[test]
    fn channels_that_are_not_used_are_remapped_into_those_that_are() {
        // Unmapped 7, 14, 21: of the used channels 0 to 9, 7 is one; 14 mod 10 and 21 mod 10 are the places of the others.
        let channels = hops((10..CHANNELS).collect(), 7);
        assert_eq!(channels[..3], [7, 4, 1]);
        assert!(channels.iter().all(|channel| *channel < 10));
    }
}
