/**
 * Places events of a phone's clock on a wireless headset's sample timeline, and says how sure that is.
 *
 * <p>A {@link tickseam.Session} observes each packet in the radio's callback and places events a second or more after they happened. A
 * {@link tickseam.ClockMap} is a value that any thread may use. A {@link tickseam.Replay} places the events of a whole recording.
 *
 * <p>Rules of the whole package:
 *
 * <ul>
 *   <li><b>Units</b> stand in the names: {@code Ns} nanoseconds, {@code Us} microseconds, {@code S} seconds, {@code Ppm} parts in a
 *       million. {@code u} is a standard uncertainty, {@code u95} the half-width of a 95 % interval. Positive drift: the headset's clock
 *       runs fast against the phone's.
 *   <li><b>Host stamps</b> are {@code long} nanoseconds from any origin, of one clock that never jumps and does not stop while the
 *       phone sleeps: on Android {@code SystemClock.elapsedRealtimeNanos()}.
 *   <li><b>Counters of the device</b> (sequence, tick, samples, stream) are unsigned: a negative {@code long} or {@code int} stands for
 *       the unsigned number of the same bits. One that cannot be is no error: the packet is rejected, and says why.
 *   <li><b>Not yet known, or no further one</b>: an empty {@link java.util.Optional}, never an exception, never null.
 *   <li><b>Errors</b>: an argument that the library refuses throws {@link java.lang.IllegalArgumentException} with the library's words;
 *       null throws {@link java.lang.NullPointerException}; a closed session {@link java.lang.IllegalStateException}. A refused call has
 *       changed nothing unless it says so. A native library of another build throws {@link java.lang.UnsatisfiedLinkError} when the
 *       first class is used.
 *   <li><b>Threads</b>: values are immutable and for any thread; each of the other classes says what it allows.
 *   <li><b>Codes</b> that a later library may add become {@code UNKNOWN}.
 * </ul>
 *
 * <p>Not a medical device; no diagnosis.
 */
package tickseam;
