use super::*;
use crate::block::Block;

/// Host times of the batches that an app's timer of so many µs hands over, µs.
fn batches(period_us: f64) -> Stamps {
    (0..600_u32).map(|i| 1_234.0 + f64::from(i) * period_us).collect()
}

#[test]
fn batches_that_keep_step_with_the_radio_leave_out_most_of_its_interval() {
    // A timer of ten intervals, and of ten and a quarter: all of 50 ms but what a sixteenth tells, and a quarter of it.
    assert!(in_step_us(&batches(500_000.0), 50_000.0) > 45_000.0);
    let quarter_us = in_step_us(&batches(512_500.0), 50_000.0);
    assert!((10_000.0..16_000.0).contains(&quarter_us), "{quarter_us}");
    // A radio that is 80 ppm off the nominal interval keeps step all the same.
    assert!(in_step_us(&batches(500_000.0), 50_000.0 * 1.000_08) > 40_000.0);
    // One that 2,000 ppm lie between goes through all phases while its rate is known well enough; one that comes back to the same phases leaves out little.
    assert_eq!(in_step_us(&batches(501_000.0), 50_000.0), 0.0);
    assert!(in_step_us(&batches(477_770.0), 50_000.0) < 7_000.0);
}

#[test]
fn what_batches_leave_out_is_the_longest_run_of_sixteenths_and_what_lies_beside_it() {
    assert_eq!(left_out_us(0xFFFF, 16_000.0), 0.0);
    // The packets at both ends may be anywhere in their own.
    assert_eq!(left_out_us(0xFFF7, 16_000.0), 2_000.0);
    assert_eq!(left_out_us(0xFFE7, 16_000.0), 3_000.0);
    assert_eq!(left_out_us(1, 16_000.0), 16_000.0);
}

#[test]
fn the_soonest_is_that_of_a_score_of_batches_around() {
    // Blocks of six batches; the soonest of all is two blocks away from the middle, and another, still sooner, four blocks away.
    let stage = |(at_s, residual_us): (f64, f64)| {
        let stamped = Bound { at_s, residual_us: residual_us + 20.0 * at_s };
        let block = Block { deliveries: 6, packets: 60, stamped, rate_ppm: 20.0, ..Block::default() };
        Stage { block: Some(block), soonest: stamped, ..Stage::empty() }
    };
    let mut stages = [
        (0.0, 0.0),
        (1.0, 500.0),
        (2.0, -100.0),
        (3.0, 500.0),
        (4.0, 500.0),
        (5.0, 500.0),
        (6.0, 500.0),
        (7.0, 500.0),
        (8.0, -900.0),
    ]
    .map(stage);
    soonest_of_many(&mut stages);
    let soonest_us = stages.map(|s| s.soonest.residual_us - 20.0 * s.soonest.at_s);
    let [_, _, _, _, fourth, fifth, sixth, ..] = soonest_us;
    // Four blocks hold 24 batches: with one on either side, eighteen; with two, thirty.
    assert_eq!((fourth, fifth, sixth), (-100.0, 500.0, -900.0));
}
