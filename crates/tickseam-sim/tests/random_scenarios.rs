//! Random scenarios are what they claim to be.

use std::collections::HashMap;

use tickseam_sim::{Class, random_scenario, simulate};

const CLASSES: [Class; 6] =
    [Class::Slipping, Class::Partly, Class::Locked, Class::Congested, Class::Constant, Class::OneSided];

#[test]
fn a_class_asked_for_is_the_class_simulated() {
    let mut wrong = Vec::new();
    for wanted in CLASSES {
        for seed in 0..25 {
            let (mut scenario, class) = random_scenario(seed, Some(wanted));
            assert_eq!(class, wanted, "seed {seed}");
            scenario.check().unwrap();
            // Long sessions take long; the class of a grid depends on the length, that of the others does not.
            if matches!(wanted, Class::Congested | Class::Constant | Class::OneSided) {
                scenario.duration_s = scenario.duration_s.min(600.0);
            }
            let session = simulate(&scenario, seed).unwrap();
            if session.statistics.class != wanted {
                wrong.push((wanted, seed, session.statistics));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn without_a_wish_every_class_occurs_and_a_seed_is_a_scenario() {
    let mut counts: HashMap<Class, u32> = HashMap::new();
    for seed in 0..400 {
        let (scenario, class) = random_scenario(seed, None);
        *counts.entry(class).or_default() += 1;
        assert_eq!((scenario, class), random_scenario(seed, None));
    }
    for class in CLASSES {
        assert!(counts.get(&class).is_some_and(|count| *count >= 8), "{counts:?}");
    }
}

#[test]
fn random_scenarios_cover_their_ranges() {
    let (mut short_period, mut long_period, mut short_interval, mut long_interval) = (0, 0, 0, 0);
    let mut streams = [0; 4];
    for seed in 0..400 {
        let (scenario, _) = random_scenario(seed, None);
        let period_ms = scenario.streams[0].packet_period_ms();
        assert!((9.999..=100.001).contains(&period_ms), "{period_ms}");
        assert!((7.5..=100.0).contains(&scenario.link.interval_ms));
        assert!((120.0..=28_800.0).contains(&scenario.duration_s));
        let device = &scenario.device;
        assert!(device.offset_ppm.abs() + device.warm_up_ppm.abs() <= device.tolerance_ppm);
        short_period += u32::from(period_ms < 20.0);
        long_period += u32::from(period_ms > 80.0);
        short_interval += u32::from(scenario.link.interval_ms < 15.0);
        long_interval += u32::from(scenario.link.interval_ms > 80.0);
        streams[scenario.streams.len()] += 1;
    }
    for count in
        [short_period, long_period, short_interval, long_interval, streams[1], streams[2], streams[3]]
    {
        assert!(count >= 15, "{count}");
    }
    assert_eq!(streams[0], 0);
}

#[test]
fn a_random_scenario_can_be_written_down() {
    for seed in 0..50 {
        let (scenario, _) = random_scenario(seed, None);
        let text = scenario.to_toml().unwrap();
        assert_eq!(tickseam_sim::Scenario::from_toml(&text).unwrap(), scenario, "seed {seed}\n{text}");
    }
}
