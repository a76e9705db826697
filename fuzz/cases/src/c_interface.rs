//! The C interface as a sequence of calls, some with a null, a misaligned pointer, a wrong size or a value that cannot be; and the core's own
//! session beside it, which has to say the same.

use std::ptr::{null, null_mut};

use tickseam::placement::Shift;
use tickseam::session::{Session, Sighted};
use tickseam_capi::*;

use crate::scene::{Known, Scene, Step};
use crate::{Broken, Checked, c_replay, checks, holds};

const POISON: u8 = 0xA5;

/// Memory for one session and some bytes more, so that it can be handed over misaligned.
#[repr(C, align(8))]
pub(crate) struct Memory {
    bytes: Vec<u64>,
}

impl Memory {
    pub(crate) fn poisoned() -> Self {
        Self { bytes: vec![u64::from_ne_bytes([POISON; 8]); TICKSEAM_SESSION_SIZE / 8 + 1] }
    }

    pub(crate) fn is_poisoned(&self) -> bool {
        self.bytes.iter().all(|word| word.to_ne_bytes() == [POISON; 8])
    }

    /// Where the memory begins, so many bytes on.
    pub(crate) fn at(&mut self, offset: usize) -> *mut core::ffi::c_void {
        self.bytes.as_mut_ptr().cast::<u8>().wrapping_add(offset).cast()
    }

    /// Restores what was saved; whatever the answer, the handle is not handed on.
    pub(crate) fn restore(&mut self, saved: &[u8]) -> i32 {
        let mut session = null_mut();
        // SAFETY: memory and saved bytes are as long as said.
        unsafe {
            tickseam_session_restore(
                self.at(0),
                TICKSEAM_SESSION_SIZE,
                saved.as_ptr().cast(),
                saved.len(),
                &raw mut session,
            )
        }
    }
}

/// A struct that C fills in, with a word on either side that nobody may write.
#[repr(C)]
#[derive(Clone, Copy)]
struct Output<T> {
    before: u64,
    value: T,
    after: u64,
}

/// An output, or an input, that may be spoilt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Spoilt {
    No,
    SessionNull,
    SessionMisaligned,
    SessionUnmarked,
    InputNull,
    InputMisaligned,
    OutputNull,
    OutputMisaligned,
    Size(u32),
    Value,
}

impl Spoilt {
    fn of(byte: u8) -> Self {
        match byte {
            1 => Self::SessionNull,
            2 => Self::SessionMisaligned,
            3 => Self::SessionUnmarked,
            4 => Self::InputNull,
            5 => Self::InputMisaligned,
            6 => Self::OutputNull,
            7 => Self::OutputMisaligned,
            8 => Self::Size(0),
            9 => Self::Size(4),
            10 => Self::Size(u32::MAX),
            11 => Self::Value,
            _ => Self::No,
        }
    }

    /// What a call has to answer that has nothing wrong but this; `None` where it is no part of the call.
    fn expected(self, input: bool, sized: bool) -> Option<i32> {
        match self {
            Self::No | Self::Value => None,
            Self::SessionNull | Self::OutputNull => Some(TICKSEAM_ERROR_NULL),
            Self::SessionMisaligned | Self::OutputMisaligned => Some(TICKSEAM_ERROR_MISALIGNED),
            Self::SessionUnmarked => Some(TICKSEAM_ERROR_NO_SESSION),
            Self::InputNull => input.then_some(TICKSEAM_ERROR_NULL),
            Self::InputMisaligned => input.then_some(TICKSEAM_ERROR_MISALIGNED),
            Self::Size(_) => sized.then_some(TICKSEAM_ERROR_STRUCT_SIZE),
        }
    }
}

fn off_by_one<T>(pointer: *mut T) -> *mut T {
    pointer.cast::<u8>().wrapping_add(1).cast()
}

/// A session behind the C interface, and memory that holds none.
struct Called {
    /// Holds the session that `session` points into.
    _memory: Memory,
    session: *mut tickseam_session,
    empty: Memory,
}

impl Called {
    fn session(&mut self, spoilt: Spoilt) -> *mut tickseam_session {
        match spoilt {
            Spoilt::SessionNull => null_mut(),
            Spoilt::SessionMisaligned => off_by_one(self.session),
            Spoilt::SessionUnmarked => self.empty.at(0).cast(),
            _ => self.session,
        }
    }
}

/// All bits of an output, its size apart.
fn untouched<T: Copy>(output: &Output<T>, from: usize) -> bool {
    let bytes = (&raw const output.value).cast::<u8>();
    (from..size_of::<T>()).all(|place| {
        // SAFETY: within the value, all of which was poisoned byte by byte; only C may have written there since.
        unsafe { bytes.add(place).read() == POISON }
    })
}

/// A poisoned output of C.
fn poisoned<T>() -> Output<T> {
    let mut output = std::mem::MaybeUninit::<Output<T>>::uninit();
    // SAFETY: plain numbers, of which any bytes are a value.
    unsafe {
        output.as_mut_ptr().cast::<u8>().write_bytes(POISON, size_of::<Output<T>>());
        output.assume_init()
    }
}

/// Calls a function that writes one output, and checks what has to hold for each: its status where something is spoilt, an output that is
/// as it was unless the call succeeded, and the words before and behind it.
fn called<T: Copy>(
    what: &str,
    (spoilt, input, sized): (Spoilt, bool, bool),
    call: impl FnOnce(*mut T) -> i32,
) -> Result<Result<T, i32>, Broken> {
    let mut output = poisoned::<T>();
    let size = if let Spoilt::Size(size) = spoilt { size } else { size_of::<T>() as u32 };
    if sized {
        // SAFETY: every output that has a size begins with it.
        unsafe { (&raw mut output.value).cast::<u32>().write(size) };
    }
    let place = match spoilt {
        Spoilt::OutputNull => null_mut(),
        Spoilt::OutputMisaligned => off_by_one(&raw mut output.value),
        _ => &raw mut output.value,
    };
    let status = call(place);
    let guard = u64::from_ne_bytes([POISON; 8]);
    holds!(output.before == guard && output.after == guard, "{what} writes beside its output");
    holds!((-12..=0).contains(&status), "{what}: {status} is no status");
    if status != TICKSEAM_OK {
        holds!(
            untouched(&output, if sized { 4 } else { 0 }),
            "{what}: {status}, and yet its output is written"
        );
    }
    if let Some(expected) = spoilt.expected(input, sized) {
        holds!(status == expected, "{what} with {spoilt:?}: {status}, not {expected}");
    }
    Ok(if status == TICKSEAM_OK { Ok(output.value) } else { Err(status) })
}

fn c_config(known: &Known) -> tickseam_config {
    let nothing = tickseam_stream { rate_hz: 0.0, samples_per_packet: 0, sequence_bits: 0 };
    let mut streams = [nothing; 4];
    for (to, from) in streams.iter_mut().zip(&known.streams) {
        *to = tickseam_stream {
            rate_hz: from.rate_hz,
            samples_per_packet: from.samples_per_packet,
            sequence_bits: u32::from(from.sequence_bits),
        };
    }
    let delay = known.fixed_delay.unwrap_or_default();
    tickseam_config {
        struct_size: size_of::<tickseam_config>() as u32,
        tick_bits: known.ticks.map_or(0, |ticks| u32::from(ticks.bits)),
        tick_hz: known.ticks.map_or(0.0, |ticks| ticks.hz),
        tolerance_ppm: known.tolerance_ppm,
        host_step_us: known.host_step_us,
        fixed_delay_us: delay.us,
        fixed_delay_u_us: delay.u_us,
        interval_us: known.interval_us.unwrap_or(0.0),
        fixed_delay_known: u32::from(known.fixed_delay.is_some()),
        stream_count: known.streams.len() as u32,
        streams,
    }
}

/// Begins a session, first with what is spoilt, which must leave the memory as it was.
fn begin(config: &tickseam_config, spoils: &[u8]) -> Result<Option<Called>, Broken> {
    let mut memory = Memory::poisoned();
    let mut session = null_mut();
    for &spoil in spoils.iter().take(4) {
        let mut wrong = *config;
        let (mut at, mut size) = (0, TICKSEAM_SESSION_SIZE);
        let mut output = &raw mut session;
        let expected = match spoil {
            0..=6 => {
                at = usize::from(spoil) + 1;
                TICKSEAM_ERROR_MISALIGNED
            }
            7 => {
                size -= 1;
                TICKSEAM_ERROR_SHORT_MEMORY
            }
            8 => {
                // No configuration: below.
                TICKSEAM_ERROR_NULL
            }
            9 => {
                output = null_mut();
                TICKSEAM_ERROR_NULL
            }
            10 => {
                // A configuration one byte off: below.
                TICKSEAM_ERROR_MISALIGNED
            }
            11 => {
                wrong.struct_size = wrong.struct_size.wrapping_sub(4);
                TICKSEAM_ERROR_STRUCT_SIZE
            }
            12 => {
                wrong.stream_count = 5;
                TICKSEAM_ERROR_STREAM
            }
            13 => {
                wrong.fixed_delay_known = 2;
                if (1..=4).contains(&wrong.stream_count) {
                    TICKSEAM_ERROR_VALUE
                } else {
                    TICKSEAM_ERROR_STREAM
                }
            }
            _ => continue,
        };
        let pointer = match spoil {
            8 => null(),
            10 => (&raw const wrong).wrapping_byte_add(1),
            _ => &raw const wrong,
        };
        // SAFETY: the memory is a word longer than said, so that it may begin a few bytes late; what is null or misaligned is answered.
        let status = unsafe { tickseam_session_init(memory.at(at), size, pointer, output) };
        holds!(status == expected, "init with {spoil}: {status}, not {expected}");
        holds!(
            memory.is_poisoned() && session.is_null(),
            "init with {spoil}: {status}, and yet something is written"
        );
    }
    // SAFETY: all there.
    let status =
        unsafe { tickseam_session_init(memory.at(0), TICKSEAM_SESSION_SIZE, config, &raw mut session) };
    if status != TICKSEAM_OK {
        holds!(memory.is_poisoned() && session.is_null(), "init: {status}, and yet something is written");
        return Ok(None);
    }
    holds!(!session.is_null(), "init: no session, and no error");
    Ok(Some(Called { _memory: memory, session, empty: Memory::poisoned() }))
}

fn sighting(sighted: Sighted) -> i32 {
    match sighted {
        Sighted::Used => TICKSEAM_SIGHTING_USED,
        Sighted::NoTicks => TICKSEAM_SIGHTING_NO_TICKS,
        Sighted::TooEarly => TICKSEAM_SIGHTING_TOO_EARLY,
        Sighted::FarOff => TICKSEAM_SIGHTING_FAR_OFF,
        Sighted::Backwards => TICKSEAM_SIGHTING_BACKWARDS,
    }
}

/// A refusal that nothing was spoilt for, or an answer where something was.
fn unexpected(what: &str, spoilt: Spoilt, status: Option<i32>) -> Broken {
    Broken::new(format!("{what} with {spoilt:?}: {status:?}"))
}

fn packet_fields(answer: &tickseam_answer) -> [i128; 10] {
    [
        answer.struct_size.into(),
        answer.disposition.into(),
        answer.refusal.into(),
        answer.has_place.into(),
        answer.segment.into(),
        answer.settled.into(),
        answer.index.into(),
        answer.device_count.into(),
        answer.missing_from.into(),
        answer.missing_count.into(),
    ]
}

/// Takes one step by C and by the core.
fn take(called_: &mut Called, core: &mut Session<4>, step: &Step, spoilt: Spoilt) -> Checked {
    let session = called_.session(spoilt);
    match *step {
        Step::Packet(stream, stamp) => {
            let mut packet = tickseam_packet {
                host_ns: stamp.host_ns,
                sequence: stamp.sequence,
                tick: stamp.tick.unwrap_or(0),
                samples: stamp.samples,
                stream: stream as u32,
                has_tick: u32::from(stamp.tick.is_some()),
                reserved: 0,
            };
            if spoilt == Spoilt::Value {
                packet.has_tick = 2;
            }
            let input = match spoilt {
                Spoilt::InputNull => null(),
                Spoilt::InputMisaligned => (&raw const packet).wrapping_byte_add(1),
                _ => &raw const packet,
            };
            let answered = called::<tickseam_answer>("observe_packet", (spoilt, true, true), |answer| {
                // SAFETY: null, misaligned or there.
                unsafe { tickseam_session_observe_packet(session, input, answer) }
            })?;
            match answered {
                Ok(answer) if spoilt == Spoilt::No => {
                    let expected = tickseam_answer::new(&core.observe_packet(stream, stamp));
                    checks::equal(
                        "C's answer to a packet",
                        &packet_fields(&answer),
                        &packet_fields(&expected),
                    )
                }
                Err(TICKSEAM_ERROR_VALUE) if spoilt == Spoilt::Value => Ok(()),
                Err(_) if spoilt.expected(true, true).is_some() => Ok(()),
                other => Err(unexpected("observe_packet", spoilt, other.err())),
            }
        }
        Step::Exchange(origin_ns, receive, transmit, destination_ns) => {
            let answered = called::<i32>("observe_exchange", (spoilt, false, false), |sighted| {
                // SAFETY: null, misaligned or there.
                unsafe {
                    tickseam_session_observe_exchange(
                        session,
                        origin_ns,
                        receive,
                        transmit,
                        destination_ns,
                        sighted,
                    )
                }
            })?;
            let Ok(answer) = answered else { return Ok(()) };
            let expected = sighting(core.observe_exchange(origin_ns, receive, transmit, destination_ns));
            checks::same("C's answer to an exchange", &answer, &expected)
        }
        Step::Marker(host_ns, tick) => {
            let answered = called::<i32>("observe_marker", (spoilt, false, false), |sighted| {
                // SAFETY: null, misaligned or there.
                unsafe { tickseam_session_observe_marker(session, host_ns, tick, sighted) }
            })?;
            let Ok(answer) = answered else { return Ok(()) };
            checks::same("C's answer to a marker", &answer, &sighting(core.observe_marker(host_ns, tick)))
        }
        Step::Place(host_ns, latency) => {
            let latency = if spoilt == Spoilt::Value { Shift { us: f64::NAN, ..latency } } else { latency };
            let answered = called::<tickseam_placement>("place", (spoilt, false, true), |placement| {
                // SAFETY: null, misaligned or there.
                unsafe { tickseam_session_place(session, host_ns, latency.us, latency.u_us, placement) }
            })?;
            if spoilt.expected(false, true).is_some() {
                return Ok(());
            }
            placed(&answered, core, host_ns, latency)
        }
        Step::HostAt(device_s) => {
            let device_s = if spoilt == Spoilt::Value { f64::INFINITY } else { device_s };
            let answered = called::<tickseam_host_instant>("host_at", (spoilt, false, false), |instant| {
                // SAFETY: null, misaligned or there.
                unsafe { tickseam_session_host_at(session, device_s, instant) }
            })?;
            if spoilt.expected(false, false).is_some() {
                return Ok(());
            }
            let answered = answered.map(|at| (at.host_ns, at.u_us, at.u95_us));
            let expected = core
                .host_at(device_s)
                .map(|at| (at.host_ns, at.u_us, at.u95_us))
                .ok_or(if device_s.is_finite() { TICKSEAM_ERROR_NOT_YET } else { TICKSEAM_ERROR_VALUE });
            checks::same("C's host time", &answered, &expected)
        }
        Step::Pause => pause(session, core, spoilt),
    }
}

fn placed(
    answered: &Result<tickseam_placement, i32>,
    core: &Session<4>,
    host_ns: i64,
    latency: Shift,
) -> Checked {
    let expected = core.place(host_ns, latency);
    match (answered, &expected) {
        (Ok(answer), Some(expected)) => {
            let (placement, budget) = (expected.placement, expected.placement.budget);
            let numbers = [
                (answer.device_s, placement.device_s),
                (answer.sample, placement.device_s * core.rate_hz()),
                (answer.u_us, placement.u_us),
                (answer.u95_us, placement.u95_us),
                (answer.link_us, budget.link_us),
                (answer.holdover_us, budget.holdover_us),
                (answer.fixed_delay_us, budget.fixed_delay_us),
                (answer.resolution_us, budget.resolution_us),
                (answer.latency_us, budget.latency_us),
                (answer.statistics_us, budget.statistics_us),
                (answer.lattice_us, budget.lattice_us),
                (answer.curvature_us, budget.curvature_us),
            ];
            for (from_c, from_core) in numbers {
                holds!(
                    from_c.to_bits() == from_core.to_bits(),
                    "C places by {from_c}, the core by {from_core}"
                );
            }
            for line in 0..TICKSEAM_LINES {
                let mut half_width_us = f64::NAN;
                // SAFETY: both are there.
                let status = unsafe { tickseam_placement_line(answer, line, &raw mut half_width_us) };
                holds!(status == TICKSEAM_OK, "line {line} of a budget: {status}");
                checks::uncertainties("line of a budget", &[half_width_us])?;
            }
            let excludes = answer.excludes_fixed_delay == 1;
            holds!(
                answer.segment == expected.segment && excludes == expected.excludes_fixed_delay,
                "C places in segment {}, the core in {}",
                answer.segment,
                expected.segment
            );
            Ok(())
        }
        (Err(TICKSEAM_ERROR_NOT_YET), None) => Ok(()),
        (Err(TICKSEAM_ERROR_VALUE), None) if !tickseam::session::is_a_time(latency) => Ok(()),
        (answered, expected) => Err(Broken::new(format!(
            "C places by {:?}, the core by {expected:?}",
            answered.as_ref().map(|placement| placement.device_s)
        ))),
    }
}

/// The map of a session, and what can be done with it alone.
fn check_map(map: &tickseam_map) -> Checked {
    let mut drift_ppm = f64::NAN;
    // SAFETY: both are there.
    let status = unsafe { tickseam_map_drift(map, &raw mut drift_ppm) };
    holds!(status == TICKSEAM_OK, "drift of a session's map: {status}");
    checks::finite("drift, ppm", &[drift_ppm])?;
    let mut turned = *map;
    // SAFETY: an output may be the input.
    let status = unsafe { tickseam_map_invert(&raw const turned, &raw mut turned) };
    holds!(status == TICKSEAM_OK, "a session's map turned round: {status}");
    let mut chained = *map;
    // SAFETY: likewise.
    let status = unsafe { tickseam_map_chain(map, &raw const turned, &raw mut chained) };
    holds!(status == TICKSEAM_OK, "a session's map and the way back: {status}");
    for wrong in [map.struct_size ^ 8, 0] {
        let wrong = tickseam_map { struct_size: wrong, ..*map };
        // SAFETY: both are there.
        let status = unsafe { tickseam_map_drift(&raw const wrong, &raw mut drift_ppm) };
        holds!(status == TICKSEAM_ERROR_STRUCT_SIZE, "drift of a map of another size: {status}");
    }
    let wrong = tickseam_map { rate_ppm: f64::NAN, ..*map };
    // SAFETY: both are there.
    let status = unsafe { tickseam_map_drift(&raw const wrong, &raw mut drift_ppm) };
    holds!(status == TICKSEAM_ERROR_VALUE, "drift of no map: {status}");
    Ok(())
}

/// All that can be asked without more to say.
fn pause(session: *mut tickseam_session, core: &Session<4>, spoilt: Spoilt) -> Checked {
    let is_spoilt = spoilt.expected(false, true).is_some();
    let map = called::<tickseam_map>("map", (spoilt, false, true), |map| {
        // SAFETY: null, misaligned or there.
        unsafe { tickseam_session_map(session, map) }
    })?;
    let state = called::<tickseam_state>("state", (spoilt, false, true), |state| {
        // SAFETY: likewise.
        unsafe { tickseam_session_state(session, state) }
    })?;
    let link = called::<tickseam_link>("link", (spoilt, false, true), |link| {
        // SAFETY: likewise.
        unsafe { tickseam_session_link(session, link) }
    })?;
    let counters = called::<tickseam_counters>("counters", (spoilt, false, true), |counters| {
        // SAFETY: likewise.
        unsafe { tickseam_session_counters(session, counters) }
    })?;
    if is_spoilt {
        return Ok(());
    }
    match (&map, core.map()) {
        (Ok(map), Some(of_core)) => {
            let numbers = (map.at_s, map.offset_us, map.rate_ppm, map.half_width_us, map.valid_to_s);
            let of_core = (
                of_core.at_s,
                of_core.offset_us,
                of_core.rate_ppm,
                of_core.half_width_us,
                of_core.valid_to_s,
            );
            checks::same("C's map", &numbers, &of_core)?;
            check_map(map)?;
        }
        (Err(TICKSEAM_ERROR_NOT_YET), None) => {}
        (map, of_core) => {
            let map = map.map(|map| map.at_s);
            return Err(Broken::new(format!("C's map is {map:?}, the core's {of_core:?}")));
        }
    }
    let (Ok(state), Ok(link), Ok(counters)) = (state, link, counters) else {
        return Err(Broken::new("state, link or counters are refused"));
    };
    let missing = [0, 1, 2, 3].map(|stream| core.missing_packets(stream).unwrap_or(0));
    checks::same("C's missing packets", &state.missing_packets, &missing)?;
    checks::same("C's segment", &state.segment, &core.segment())?;
    checks::same("C's newest packet", &state.newest_s, &core.newest_s().unwrap_or(0.0))?;
    checks::same("C's beat", &link.beat_us, &core.link().beat_us)?;
    let (of_core, intake) = (core.counters(), core.counters().intake);
    checks::same(
        "C's counters",
        &[counters.in_order, counters.late, counters.duplicate, counters.ambiguous, counters.wild],
        &[intake.in_order, intake.late, intake.duplicate, intake.ambiguous, of_core.wild],
    )?;
    let mut from = i64::MIN;
    loop {
        let gap = called::<tickseam_gap>("next_gap", (Spoilt::No, false, false), |gap| {
            // SAFETY: there.
            unsafe { tickseam_session_next_gap(session, 0, from, gap) }
        })?;
        let expected = core.next_gap(0, from);
        let gap = gap.map(|gap| (gap.first_index, gap.packets));
        checks::same("C's gap", &gap.ok(), &expected.map(|gap| (gap.first_index, gap.count)))?;
        let Some(expected) = expected else { return Ok(()) };
        from = expected.last_index().saturating_add(1);
    }
}

/// The first byte says how many follow that say what is spoilt; the rest is a scene.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let Some((&count, rest)) = bytes.split_first() else { return Ok(()) };
    let (spoils, rest) = rest.split_at(usize::from(count & 63).min(rest.len()));
    let scene = Scene::of(rest);
    let known = &scene.known;
    let config = c_config(known);
    let begun = begin(&config, spoils)?;
    // An interval of 0 is none in C.
    let of_core = Known { interval_us: known.interval_us.filter(|us| *us != 0.0), ..known.clone() };
    let core = Session::new(&of_core.config());
    let (Some(mut called_), Ok(mut core)) = (begun, core) else {
        let refused = Session::<4>::check(&of_core.config()).is_err();
        holds!(refused, "C refuses a configuration that the core takes");
        return Ok(());
    };
    for (place, step) in scene.steps.iter().enumerate() {
        let spoilt = match spoils.len() {
            0 => Spoilt::No,
            // Each says of one call in four what is wrong with it.
            count if place % 4 == 3 => Spoilt::of(spoils[(place / 4) % count]),
            _ => Spoilt::No,
        };
        take(&mut called_, &mut core, step, spoilt)?;
    }
    pause(called_.session, &core, Spoilt::No)?;
    for status in [i32::MIN, -13, -12, -1, 0, 7, i32::MAX] {
        let texts =
            [tickseam_status_text(status), tickseam_disposition_text(status), tickseam_line_text(status)];
        holds!(texts.iter().all(|text| !text.is_null()), "no words for {status}");
    }
    c_replay::check(&config, &scene, spoils.first().copied().unwrap_or(0))
}
