//! Scenario files: defaults, overrides and clear refusals.

use tickseam_sim::scenario::{Fault, LinkKind};
use tickseam_sim::{Scenario, ScenarioError};

fn refusal(text: &str) -> String {
    Scenario::from_toml(text).unwrap_err().to_string()
}

#[test]
fn an_empty_file_is_the_default_scenario() {
    assert_eq!(Scenario::from_toml("").unwrap(), Scenario::default());
}

#[test]
fn a_few_overrides_change_just_those() {
    let scenario = Scenario::from_toml(
        "duration_s = 90\n[link]\nkind = \"time-slots\"\ninterval_ms = 12.5\n[host]\nresolution_ns = 976562.5\n",
    )
    .unwrap();
    assert_eq!(scenario.duration_s, 90.0);
    assert_eq!(scenario.link.kind, LinkKind::TimeSlots);
    assert_eq!(scenario.link.phy, Scenario::default().link.phy);
    assert_eq!(scenario.streams, Scenario::default().streams);
}

#[test]
fn a_scenario_survives_writing_and_reading() {
    let mut scenario = Scenario::default();
    scenario.faults.push(Fault::Reboot { at_s: 100.0, off_s: 3.0 });
    scenario.faults.push(Fault::HostStep { at_s: 200.0, step_s: -1.5, return_after_s: Some(20.0) });
    scenario.host.resolution_ns = 976_562.5;
    assert_eq!(Scenario::from_toml(&scenario.to_toml().unwrap()).unwrap(), scenario);
}

#[test]
fn an_unknown_key_is_refused_with_its_place() {
    let text = "duration_s = 60\n[link]\ninterval = 15.0\n";
    match Scenario::from_toml(text).unwrap_err() {
        ScenarioError::Syntax { message, place } => {
            assert_eq!(place, Some((3, 1)));
            assert!(message.contains("interval_ms"), "{message}");
        }
        other => panic!("{other:?}"),
    }
    assert!(refusal("[link]\ninterval_ms = \"15\"\n").starts_with("line 2, column 15: "));
    assert!(refusal("[link\n").starts_with("line 1, "));
    assert!(refusal("[[fault]]\nat_s = 3.0\nkind = \"earthquake\"\n").starts_with("line "));
}

// Bluetooth Core Specification, Vol 6 Part B 4.5.1: 7.5 ms to 4 s in steps of 1.25 ms, latency 0 to 499.
#[test]
fn values_outside_bluetooth_are_refused() {
    for interval in ["7.0", "6.25", "4001.25", "8.0", "nan"] {
        let message = refusal(&format!("[link]\ninterval_ms = {interval}\n"));
        assert!(message.starts_with("link.interval_ms: expected"), "{message}");
    }
    for interval in ["7.5", "8.75", "4000.0"] {
        Scenario::from_toml(&format!("[link]\ninterval_ms = {interval}\n")).unwrap();
    }
    assert!(refusal("[link]\nperipheral_latency = 500\n").starts_with("link.peripheral_latency: "));
    Scenario::from_toml("[link]\nperipheral_latency = 499\n").unwrap();
    assert!(refusal("[link]\nlargest_payload_octets = 252\n").starts_with("link.largest_payload_octets: "));
}

#[test]
fn values_that_cannot_be_are_refused_by_name() {
    for (text, key) in [
        ("duration_s = 0\n", "duration_s"),
        ("[device]\ntick_bits = 8\n", "device.tick_bits"),
        ("[device]\nqueue_packets = 0\n", "device.queue_packets"),
        ("[[stream]]\nrate_hz = 0\n", "stream[0].rate_hz"),
        ("[[stream]]\nsamples_per_packet = 0\n", "stream[0].samples_per_packet"),
        ("[[stream]]\n[[stream]]\n", "stream[1].name"),
        ("[[stream]]\nname = \"fast\"\nrate_hz = 20000\n", "stream[0].samples_per_packet"),
        ("stream = []\n", "stream"),
        ("[host]\nloss = 1.5\n", "host.loss"),
        ("[host]\nresolution_ns = 0\n", "host.resolution_ns"),
        ("[link]\nphy = \"coded_s8\"\ninterval_ms = 7.5\n", "link.event_length_ms"),
        ("[link]\nlargest_payload_octets = 27\npackets_per_event = 4\n", "link.packets_per_event"),
        ("[trials]\ninterval_s = [2.0, 1.0]\n", "trials.interval_s"),
        ("[trials]\nstimulus = [{ label = \"tap\" }]\n", "trials.stimulus[0].label"),
        ("[device]\nticks = false\n[exchanges]\nperiod_s = 1\n", "exchanges.period_s"),
        ("[[fault]]\nkind = \"reboot\"\nat_s = 5000.0\noff_s = 1.0\n", "fault[0].at_s"),
        (
            "[[fault]]\nkind = \"reboot\"\nat_s = 10.0\noff_s = 5.0\n\
             [[fault]]\nkind = \"disconnection\"\nat_s = 12.0\noff_s = 1.0\n",
            "fault",
        ),
        ("[[fault]]\nkind = \"interval-change\"\nat_s = 10.0\ninterval_ms = 8.0\n", "fault[0].interval_ms"),
    ] {
        let message = refusal(text);
        assert!(message.starts_with(&format!("{key}: ")), "{text:?} gave {message:?}");
    }
}
