//! What a schedule costs: time on the air, and the charge that a simple model makes of it.

use serde::{Deserialize, Serialize};
use tickseam_sim::{Scenario, Statistics, air};

/// What is assumed of the headset's radio. The currents are common practice for chips of this kind, no source: put in your own.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Radio {
    /// Supply current while it sends, mA.
    pub sending_ma: f64,
    /// Supply current while it receives, mA.
    pub receiving_ma: f64,
    /// Charge for waking up and going to sleep again, for each connection event, µC.
    pub event_uc: f64,
    /// Supply current between events, µA.
    pub sleeping_ua: f64,
    /// Declared accuracy of the sleep clocks of both sides, ppm, 20 to 500: how much sooner the headset listens.
    pub sleep_clock_ppm: f64,
}

impl Default for Radio {
    fn default() -> Self {
        Self { sending_ma: 5.0, receiving_ma: 5.0, event_uc: 2.0, sleeping_ua: 2.0, sleep_clock_ppm: 50.0 }
    }
}

/// What the radio did and took.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cost {
    /// Share of the time that the radio is on, 0 to 1.
    pub duty_cycle: f64,
    /// Charge in an hour, mAh: the mean current in mA.
    pub mah_per_hour: f64,
}

impl Radio {
    /// The first key out of its range, and what is wrong with it.
    pub(crate) fn fault(&self) -> Option<(&'static str, String)> {
        let fields = [
            ("radio.sending_ma", self.sending_ma, 0.0, 1000.0),
            ("radio.receiving_ma", self.receiving_ma, 0.0, 1000.0),
            ("radio.event_uc", self.event_uc, 0.0, 10_000.0),
            ("radio.sleeping_ua", self.sleeping_ua, 0.0, 100_000.0),
            ("radio.sleep_clock_ppm", self.sleep_clock_ppm, 20.0, 500.0),
        ];
        fields
            .into_iter()
            .find(|&(_, value, low, high)| !(low..=high).contains(&value))
            .map(|(key, value, low, high)| (key, format!("expected {low} to {high}, found {value}")))
    }

    /// The cost of a session: sending, receiving, the widened window before each event, waking, sleeping.
    pub fn cost(&self, scenario: &Scenario, done: &Statistics) -> Cost {
        let skipped = f64::from(scenario.link.peripheral_latency);
        let since_anchor_us = scenario.link.interval_ms * 1e3 * (1.0 + skipped);
        // The packet comes in the middle of the window on average, so half of it is waited through.
        let early_us = air::window_widening_us(self.sleep_clock_ppm, self.sleep_clock_ppm, since_anchor_us);
        let events = done.events_held as f64;
        let receiving_s = done.receiving_s + events * early_us * 1e-6;
        let session_s = scenario.duration_s;
        let duty_cycle = (done.sending_s + receiving_s) / session_s;
        let charge_mc = done.sending_s * self.sending_ma
            + receiving_s * self.receiving_ma
            + events * self.event_uc * 1e-3
            + session_s * (1.0 - duty_cycle).max(0.0) * self.sleeping_ua * 1e-3;
        Cost { duty_cycle, mah_per_hour: charge_mc / session_s }
    }

    /// The assumptions in a sentence.
    pub fn in_words(&self) -> String {
        format!(
            "Charge is a simple model: {} mA sending, {} mA receiving, {} µC for waking at each event, {} µA between, windows \
             widened for sleep clocks of {} ppm on both sides. No sensor, no processor. Common practice, no source: set [radio].",
            self.sending_ma, self.receiving_ma, self.event_uc, self.sleeping_ua, self.sleep_clock_ppm
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tickseam_sim::simulate;

    #[test]
    fn a_longer_interval_costs_less_and_a_slower_modulation_more() {
        let radio = Radio::default();
        let cost = |text: &str| {
            let scenario = Scenario::from_toml(text).unwrap();
            radio.cost(&scenario, &simulate(&scenario, 1).unwrap().statistics)
        };
        let usual = cost("duration_s = 60");
        let rare = cost("duration_s = 60\n[link]\ninterval_ms = 50.0\n");
        let fast = cost("duration_s = 60\n[link]\nphy = \"2M\"\n");
        assert!(rare.mah_per_hour < usual.mah_per_hour && rare.duty_cycle < usual.duty_cycle);
        assert!(fast.mah_per_hour < usual.mah_per_hour);
        // 50 packets a second of 1.184 ms (135 + 4 octets on LE 1M, Vol 6 Part B 2.1), a tenth of them repeated.
        let sending = 50.0 * 1.184e-3 / 0.9;
        assert!((usual.duty_cycle - sending) > 0.0 && usual.duty_cycle < sending * 1.3, "{usual:?}");
    }

    #[test]
    fn charge_is_the_sum_of_its_parts() {
        let radio =
            Radio { sending_ma: 0.0, receiving_ma: 0.0, event_uc: 3.0, sleeping_ua: 0.0, ..Radio::default() };
        let scenario = Scenario::from_toml("duration_s = 60\n[link]\ninterval_ms = 10.0\n").unwrap();
        let cost = radio.cost(&scenario, &simulate(&scenario, 1).unwrap().statistics);
        // 100 events a second, 3 µC each: 0.3 mA.
        assert!((cost.mah_per_hour - 0.3).abs() < 1e-3, "{cost:?}");
    }
}
