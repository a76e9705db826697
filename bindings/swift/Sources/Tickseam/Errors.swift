import CTickseam

/// What the library refuses. "Not yet known" and "no further one" are no errors: they are `nil`.
public struct TickseamError: Error, Equatable, CustomStringConvertible, Sendable {
    /// One of tickseam.h's `TICKSEAM_ERROR_...`.
    public let status: Int32

    /// The library's words for it, for logs.
    public var description: String { String(cString: tickseam_status_text(status)) }

    /// The session was saved by another build of the library, as after an update of the app: begin a new one.
    public static let otherBuild = TickseamError(status: TICKSEAM_ERROR_OTHER_BUILD)
    /// The saved session was altered since: begin a new one.
    public static let altered = TickseamError(status: TICKSEAM_ERROR_ALTERED)
    /// A value is out of its range, not a number, or infinite.
    public static let value = TickseamError(status: TICKSEAM_ERROR_VALUE)
    /// No such stream, none at all, or too many.
    public static let stream = TickseamError(status: TICKSEAM_ERROR_STREAM)
}

/// Throws unless the status is OK.
func check(_ status: Int32) throws {
    if status != TICKSEAM_OK { throw TickseamError(status: status) }
}

/// False where the answer is `nil`; throws for other refusals.
func known(_ status: Int32) throws -> Bool {
    if status == TICKSEAM_ERROR_NOT_YET || status == TICKSEAM_ERROR_NO_MORE { return false }
    try check(status)
    return true
}

/// The size that a struct says of itself.
func structSize<T>(_: T.Type) -> UInt32 { UInt32(MemoryLayout<T>.size) }
