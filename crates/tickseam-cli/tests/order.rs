//! Rows that were written down in another order than that of their reception.

use tickseam_cli::align::{Captured, align};
use tickseam_cli::simulated;
use tickseam_record::Packet;
use tickseam_sim::{Scenario, simulate};

/// Two streams of different rates over a grid, with losses, exchanges and a restart of the device.
const SCENARIO: &str = r#"
duration_s = 240
[host]
loss = 0.02
[[stream]]
name = "eeg"
rate_hz = 250
samples_per_packet = 5
[[stream]]
name = "motion"
rate_hz = 50
samples_per_packet = 3
[exchanges]
period_s = 20
[[fault]]
kind = "reboot"
at_s = 150
off_s = 5
"#;

#[test]
fn rows_in_any_order_within_the_window_are_aligned_to_the_same_bits() {
    for seed in 1..=4 {
        let scenario = Scenario::from_toml(SCENARIO).unwrap();
        let recording = simulated::recording(&simulate(&scenario, seed).unwrap()).unwrap();
        let straight = align(&Captured::of(&recording)).unwrap();
        assert!(straight.remarks.iter().all(|remark| !remark.contains("written down late")));
        for stretch in [2, 7, 50] {
            let mut packets: Vec<Packet> = recording.packets.iter().collect();
            for chunk in packets.chunks_mut(stretch) {
                // Not across the restart: nobody writes down a packet seconds late.
                if chunk[chunk.len() - 1].host_ns - chunk[0].host_ns < 1_500_000_000 {
                    chunk.reverse();
                }
            }
            let mut mixed = recording.clone();
            mixed.packets = packets.into_iter().collect();
            let aligned = align(&Captured::of(&mixed)).unwrap();
            assert_eq!(format!("{:?}", aligned.events), format!("{:?}", straight.events), "{stretch}");
            assert_eq!(format!("{:?}", aligned.segments), format!("{:?}", straight.segments), "{stretch}");
            assert_eq!(aligned.gaps, straight.gaps);
            // Each sample is still found where its row stands.
            for (one, other) in aligned.sample_timelines.iter().zip(&straight.sample_timelines) {
                assert_eq!((&one.index, &one.first_s), (&other.index, &other.first_s));
                let packet = |row: &u32, of: &tickseam_record::Packets<'_>| of.get(*row as usize);
                assert!(one.rows.iter().zip(&other.rows).all(
                    |(row, straight)| packet(row, &mixed.packets) == packet(straight, &recording.packets)
                ));
            }
            let said = aligned.remarks.iter().filter(|remark| remark.contains("written down late")).count();
            assert_eq!(said, 1, "{:?}", aligned.remarks);
        }
    }
}
