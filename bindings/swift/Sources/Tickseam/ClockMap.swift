import CTickseam

/// An instant of the host's clock.
public struct HostInstant: Equatable, Sendable {
    /// Host time, ns since the origin of the stamps.
    public let hostNs: Int64
    /// Standard uncertainty, us.
    public let uUs: Double
    /// Half-width of the 95 % interval, us.
    public let u95Us: Double

    init(_ plain: tickseam_host_instant) {
        hostNs = plain.host_ns
        uUs = plain.u_us
        u95Us = plain.u95_us
    }
}

/// An instant of a device's timeline.
public struct DeviceInstant: Equatable, Sendable {
    /// Time on the timeline, s.
    public let deviceS: Double
    /// Standard uncertainty, us of device time.
    public let uUs: Double
    /// Half-width of the 95 % interval, us of device time.
    public let u95Us: Double

    init(_ plain: tickseam_device_instant) {
        deviceS = plain.device_s
        uUs = plain.u_us
        u95Us = plain.u95_us
    }
}

/// Which host time belongs to which device time, as a session knew it when the map was taken.
///
/// A value without a reference in it: any thread may use it, it does not change, and it needs no session. Device times are s on the map's
/// timeline. Each method takes constant time.
public struct ClockMap: @unchecked Sendable {
    /// The numbers, with the units of tickseam.h.
    public let plain: tickseam_map

    /// A map of one's own, as from a phone to a server. `struct_size` is filled in.
    ///
    /// - Throws: `TickseamError.value` for a number out of its range.
    public init(_ numbers: tickseam_map) throws {
        var plain = numbers
        plain.struct_size = structSize(tickseam_map.self)
        self.init(known: plain)
        _ = try driftPpm()
    }

    init(known plain: tickseam_map) { self.plain = plain }

    /// Host time of a device time, s; outside the map's stretch the uncertainty grows.
    ///
    /// - Throws: `TickseamError.value` for a time that is not finite.
    public func hostInstant(atDeviceS deviceS: Double) throws -> HostInstant {
        var map = plain
        var instant = tickseam_host_instant()
        try check(tickseam_map_host_at(&map, deviceS, &instant))
        return HostInstant(instant)
    }

    /// Device time of a host time, ns. Add half a step of the host's stamps for an event that was stamped by rounding down.
    public func deviceInstant(atHostNs hostNs: Int64) throws -> DeviceInstant {
        var map = plain
        var instant = tickseam_device_instant()
        try check(tickseam_map_device_at(&map, hostNs, &instant))
        return DeviceInstant(instant)
    }

    /// By how much the device's clock runs fast against the host's, ppm.
    public func driftPpm() throws -> Double {
        var map = plain
        var drift = 0.0
        try check(tickseam_map_drift(&map, &drift))
        return drift
    }

    /// The map the other way: its device is this one's host, counted in ns; its host time is this one's device time, ns since zero.
    public func inverted() throws -> ClockMap {
        var map = plain
        var out = tickseam_map()
        out.struct_size = structSize(tickseam_map.self)
        try check(tickseam_map_invert(&map, &out))
        return ClockMap(known: out)
    }

    /// From this map's device to the host of `onward`, whose device is this map's host, counted in ns. Half-widths add.
    public func chained(to onward: ClockMap) throws -> ClockMap {
        var map = plain
        var next = onward.plain
        var out = tickseam_map()
        out.struct_size = structSize(tickseam_map.self)
        try check(tickseam_map_chain(&map, &next, &out))
        return ClockMap(known: out)
    }
}
