package tickseam;

/** The session was saved by another build of the library, as after an update of the app: begin a new one. */
public final class OtherBuildException extends IllegalArgumentException {
    private static final long serialVersionUID = 1L;

    OtherBuildException(String text) {
        super(text);
    }
}
