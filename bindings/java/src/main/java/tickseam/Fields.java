package tickseam;

import java.util.Arrays;

/** Values compare by their fields, bit for bit, and print them. */
abstract class Fields {
    Fields() {}

    /** Name, value, name, value, of all that makes the value up. */
    abstract Object[] fields();

    /**
     * Compares all fields; floating-point ones by their bits.
     *
     * @param other anything
     * @return true for a value of the same class with the same bits
     */
    @Override
    public final boolean equals(Object other) {
        return other != null && getClass() == other.getClass() && Arrays.equals(fields(), ((Fields) other).fields());
    }

    /**
     * Goes with {@link #equals}.
     *
     * @return the same for equal values
     */
    @Override
    public final int hashCode() {
        return Arrays.hashCode(fields());
    }

    /**
     * For logs; not to be parsed.
     *
     * @return the class's name, and each field with its name
     */
    @Override
    public final String toString() {
        StringBuilder text = new StringBuilder(getClass().getSimpleName()).append('[');
        Object[] fields = fields();
        for (int i = 0; i < fields.length; i += 2) {
            text.append(i == 0 ? "" : ", ").append(fields[i]).append('=').append(fields[i + 1]);
        }
        return text.append(']').toString();
    }
}
