"""Arrays that numpy wrote, for tests/npy.rs: run with the folder to write to."""
import io, pathlib, sys
import numpy as np
out = pathlib.Path(sys.argv[1])
base = np.arange(3 * 2 * 2).reshape(3, 2, 2)
for kind in ["<i1", "<i2", ">i2", "<i4", ">i4", "<i8", ">i8", "<u1", "<u2", ">u4", "<u8", "<f4", ">f4", "<f8", ">f8"]:
    values = base * 9 - (0 if "u" in kind else 50) + (0.5 if "f" in kind else 0)
    name = kind.replace("<", "little-").replace(">", "big-")
    np.save(out / f"{name}.npy", values.astype(kind))
    if kind in ("<i2", ">f8"):
        np.save(out / f"{name}-fortran.npy", np.asfortranarray(values.astype(kind)))
for version in [(2, 0), (3, 0)]:
    with open(out / f"version-{version[0]}.npy", "wb") as file:
        np.lib.format.write_array(file, (base * 9 - 50).astype("<i2"), version=version)
np.save(out / "two-dimensions.npy", (np.arange(6).reshape(3, 2) * 9 - 50).astype("<i2"))
