package tickseam;

import java.nio.ByteBuffer;
import java.nio.ByteOrder;

/** The functions of libtickseam_jni: the same as those of tickseam.h, see tickseam_jni.c. Nothing here checks an address. */
final class Native {
    /** Statuses that are told apart; the others have their text. */
    static final int OK = 0;
    static final int SHORT_MEMORY = -3;
    static final int NO_SESSION = -5;
    static final int VALUE = -6;
    static final int NOT_YET = -8;
    static final int NO_MORE = -9;
    static final int OTHER_BUILD = -11;

    /** Revision of the native functions' signatures, as in tickseam_jni.c. */
    static final int REVISION = 2;
    /** TICKSEAM_ABI of the header that these classes were written for. */
    static final int ABI = 0;
    static final int SESSION_BYTES = 16896;
    static final int SAVED_BYTES = 16936;
    /** The longest answer, the counters. */
    static final int OUTPUT_BYTES = 216;

    static {
        System.loadLibrary("tickseam_jni");
        if (!fits(REVISION, ABI, SESSION_BYTES, SAVED_BYTES)) {
            throw new UnsatisfiedLinkError("libtickseam_jni is of another build than the classes of package tickseam");
        }
    }

    private Native() {}

    /** What the library says of a status that is not OK, as the exception that the package promises. */
    static RuntimeException refusal(int status) {
        return refusal(status, "");
    }

    /** The same, with words of where it was. */
    static RuntimeException refusal(int status, String where) {
        String text = where + statusText(status);
        switch (status) {
            case NO_SESSION:
                return new IllegalStateException(text);
            case OTHER_BUILD:
                return new OtherBuildException(text);
            default:
                return new IllegalArgumentException(text);
        }
    }

    static void check(int status) {
        if (status != OK) {
            throw refusal(status);
        }
    }

    /** Memory outside the heap, zeroed, in the machine's byte order, that lives as long as somebody refers to it. */
    static ByteBuffer direct(int bytes) {
        return ByteBuffer.allocateDirect(bytes).order(ByteOrder.nativeOrder());
    }

    static ByteBuffer wrap(byte[] bytes) {
        return ByteBuffer.wrap(bytes).order(ByteOrder.nativeOrder());
    }

    /** Refuses a buffer that the library cannot read in place. */
    static void requireDirect(ByteBuffer buffer, String name) {
        if (!buffer.isDirect()) {
            throw new IllegalArgumentException(name + ": not a direct buffer");
        }
        if (buffer.order() != ByteOrder.nativeOrder()) {
            throw new IllegalArgumentException(name + ": not in the byte order of the machine");
        }
    }

    static native boolean fits(int revision, int abi, int sessionBytes, int savedBytes);

    static native long address(ByteBuffer direct);

    static native String statusText(int status);

    static native String dispositionText(int disposition);

    static native String lineText(int line);

    // Of a session: its buffer, so that it stays alive, and its address.

    static native int begin(ByteBuffer keep, long session, byte[] config);

    static native int restore(ByteBuffer keep, long session, byte[] saved);

    static native int save(ByteBuffer keep, long session, byte[] saved);

    static native int observe(
            ByteBuffer keep,
            long session,
            long hostNs,
            long sequence,
            long tick,
            int samples,
            int stream,
            boolean hasTick);

    static native int observeBatch(
            ByteBuffer keep,
            long session,
            ByteBuffer keepPackets,
            long packets,
            int count,
            ByteBuffer keepAnswers,
            long answers);

    static native int exchange(
            ByteBuffer keep, long session, long originNs, long receiveTick, long transmitTick, long destinationNs);

    static native int marker(ByteBuffer keep, long session, long hostNs, long tick);

    static native int place(ByteBuffer keep, long session, long hostNs, double latencyUs, double latencyUUs);

    static native int hostAt(ByteBuffer keep, long session, double deviceS);

    static native int map(ByteBuffer keep, long session, byte[] map);

    static native int nextGap(ByteBuffer keep, long session, int stream, long fromIndex);

    static native int state(ByteBuffer keep, long session);

    static native int link(ByteBuffer keep, long session);

    static native int counters(ByteBuffer keep, long session);

    // Of a map.

    static native int mapHostAt(byte[] map, double deviceS, byte[] instant);

    static native int mapDeviceAt(byte[] map, long hostNs, byte[] instant);

    static native int mapDrift(byte[] map, byte[] driftPpm);

    static native int mapInvert(byte[] map, byte[] inverted);

    static native int mapChain(byte[] map, byte[] onward, byte[] chained);

    // Of a recording.

    static native int replay(
            byte[] config, ByteBuffer[] columns, long[] addresses, long packets, long events, byte[] report);
}
