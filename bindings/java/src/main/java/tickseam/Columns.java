package tickseam;

import java.nio.ByteBuffer;
import java.util.ArrayList;
import java.util.List;

/** Arrays that a native call reads: direct buffers, or null, all of one length. */
final class Columns {
    /** 2^31 bytes, less than which a direct buffer has, hold so many of 8 bytes. */
    private static final int MOST = Integer.MAX_VALUE / 8 - 1;

    final int count;
    final List<ByteBuffer> buffers = new ArrayList<>();

    Columns(int count) {
        if (count > MOST) {
            throw new IllegalArgumentException("too many rows for one buffer");
        }
        this.count = count;
    }

    void add(ByteBuffer of, int bytes, String name) {
        if (of != null) {
            Native.requireDirect(of, name);
            if (of.remaining() != count * bytes) {
                throw Native.refusal(Native.VALUE, name + ", its length: ");
            }
            of = of.slice().order(of.order());
        }
        buffers.add(of);
    }

    void add(long[] of) {
        ByteBuffer copy = of == null ? null : sized(of.length, 8);
        if (of != null) {
            copy.asLongBuffer().put(of);
        }
        buffers.add(copy);
    }

    void add(double[] of) {
        ByteBuffer copy = of == null ? null : sized(of.length, 8);
        if (of != null) {
            copy.asDoubleBuffer().put(of);
        }
        buffers.add(copy);
    }

    void add(int[] of) {
        ByteBuffer copy = of == null ? null : sized(of.length, 4);
        if (of != null) {
            copy.asIntBuffer().put(of);
        }
        buffers.add(copy);
    }

    void add(boolean[] of) {
        ByteBuffer copy = of == null ? null : sized(of.length, 1);
        if (of != null) {
            for (int i = 0; i < of.length; i++) {
                copy.put(i, (byte) (of[i] ? 1 : 0));
            }
        }
        buffers.add(copy);
    }

    private ByteBuffer sized(int length, int bytes) {
        if (length != count) {
            throw Native.refusal(Native.VALUE, "arrays of different lengths: ");
        }
        return Native.direct(count * bytes);
    }
}
