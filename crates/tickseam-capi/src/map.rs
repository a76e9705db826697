//! Clock maps: plain data that needs no session.

use crate::arguments::{Output, input, sized_output, status};
use crate::status::TICKSEAM_ERROR_VALUE;
use crate::types::{tickseam_device_instant, tickseam_host_instant, tickseam_map};

/// Host time of a device time, s on the map's timeline; any finite one: outside the map's stretch the uncertainty grows.
/// Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map, or a time that is not finite). Any thread; constant time.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_map_host_at(
    map: *const tickseam_map,
    device_s: f64,
    instant: *mut tickseam_host_instant,
) -> i32 {
    status((|| {
        let map = input(map)?;
        let instant = Output::new(instant)?;
        let map = map.core()?;
        if !device_s.is_finite() {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let at = map.host_at_s(device_s);
        instant.write(tickseam_host_instant { host_ns: at.host_ns, u_us: at.u_us, u95_us: at.u95_us });
        Ok(())
    })())
}

/// Device time of a host time, ns. Add half a step of the host's stamps for an event that was stamped by rounding down.
/// Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map). Any thread; constant time.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_map_device_at(
    map: *const tickseam_map,
    host_ns: i64,
    instant: *mut tickseam_device_instant,
) -> i32 {
    status((|| {
        let map = input(map)?;
        let instant = Output::new(instant)?;
        let at = map.core()?.device_at(host_ns);
        instant.write(tickseam_device_instant { device_s: at.device_s, u_us: at.u_us, u95_us: at.u95_us });
        Ok(())
    })())
}

/// By how much the device's clock runs fast against the host's, ppm: positive drift = the headset's clock runs fast against
/// the phone's. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map). Any thread; constant time.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_map_drift(map: *const tickseam_map, drift_ppm: *mut f64) -> i32 {
    status((|| {
        let map = input(map)?;
        let drift_ppm = Output::new(drift_ppm)?;
        drift_ppm.write(map.core()?.drift_ppm());
        Ok(())
    })())
}

/// The map the other way: its device is this map's host, counted in nanoseconds; its host time is this map's device time, ns since
/// the timeline's zero. `inverted` may be the same as `map`. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (the map). Any thread;
/// constant time.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_map_invert(map: *const tickseam_map, inverted: *mut tickseam_map) -> i32 {
    status((|| {
        let map = input(map)?;
        let inverted = sized_output(inverted)?;
        inverted.write(tickseam_map::new(&map.core()?.inverted(), map.segment));
        Ok(())
    })())
}

/// One map after the other: from the device of `map` to the host of `onward`, whose device is the host of `map`, counted in
/// nanoseconds (headset to phone, phone to server). Half-widths add, standard uncertainties as if independent. `chained` may be
/// the same as either. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (a map). Any thread; constant time.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_map_chain(
    map: *const tickseam_map,
    onward: *const tickseam_map,
    chained: *mut tickseam_map,
) -> i32 {
    status((|| {
        let (map, onward) = (input(map)?, input(onward)?);
        let chained = sized_output(chained)?;
        chained.write(tickseam_map::new(&map.core()?.chain(&onward.core()?), map.segment));
        Ok(())
    })())
}
