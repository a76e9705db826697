//! What C hands over, checked before it is followed.

use crate::status::{
    TICKSEAM_ERROR_MISALIGNED, TICKSEAM_ERROR_NULL, TICKSEAM_ERROR_STRUCT_SIZE, TICKSEAM_ERROR_VALUE,
    TICKSEAM_OK,
};

/// The status of a call.
pub(crate) type Call = Result<(), i32>;

pub(crate) fn status(call: Call) -> i32 {
    match call {
        Ok(()) => TICKSEAM_OK,
        Err(error) => error,
    }
}

/// Null and misaligned pointers are answered.
pub(crate) fn checked<T>(pointer: *const T) -> Result<*const T, i32> {
    if pointer.is_null() {
        Err(TICKSEAM_ERROR_NULL)
    } else if pointer.is_aligned() {
        Ok(pointer)
    } else {
        Err(TICKSEAM_ERROR_MISALIGNED)
    }
}

/// An output, to be written last.
pub(crate) struct Output<T>(*mut T);

impl<T> Output<T> {
    pub(crate) fn new(pointer: *mut T) -> Result<Self, i32> {
        checked(pointer.cast_const()).map(|_| Self(pointer))
    }

    pub(crate) fn write(&self, value: T) {
        // SAFETY: not null, aligned, and by the header's contract the caller's to be written.
        unsafe { self.0.write(value) }
    }
}

/// A struct that begins with its size, as a `u32`.
///
/// # Safety
/// It is `repr(C)` and any bytes are a value of it.
pub(crate) unsafe trait Sized32: Copy {}

/// An input that begins with its size.
pub(crate) fn input<T: Sized32>(pointer: *const T) -> Result<T, i32> {
    says_its_size(pointer)?;
    // SAFETY: not null, aligned and as long as it says; any bytes are a value.
    Ok(unsafe { pointer.read() })
}

/// Whether a struct that begins with its size says the right one; nothing else of it is read.
pub(crate) fn says_its_size<T: Sized32>(pointer: *const T) -> Call {
    let pointer = checked(pointer)?;
    // SAFETY: not null and aligned; the caller's contract is that at least its size can be read.
    let size = unsafe { pointer.cast::<u32>().read() };
    if usize::try_from(size) == Ok(size_of::<T>()) { Ok(()) } else { Err(TICKSEAM_ERROR_STRUCT_SIZE) }
}

/// An output whose size the caller has filled in.
pub(crate) fn sized_output<T: Sized32>(pointer: *mut T) -> Result<Output<T>, i32> {
    says_its_size(pointer.cast_const())?;
    Output::new(pointer)
}

/// A plain input without a size.
pub(crate) fn plain<T: Copy>(pointer: *const T) -> Result<T, i32> {
    // SAFETY: not null and aligned; plain numbers, of which any bytes are a value.
    checked(pointer).map(|pointer| unsafe { pointer.read() })
}

/// Refuses a count of elements that no object can hold.
pub(crate) fn room_for<T>(count: usize) -> Call {
    let bytes = count.checked_mul(size_of::<T>()).and_then(|bytes| isize::try_from(bytes).ok());
    bytes.map(|_| ()).ok_or(TICKSEAM_ERROR_VALUE)
}

/// An array of the caller's; `None` where it is null and may be.
#[derive(Clone, Copy)]
pub(crate) struct Array<'a, T>(Option<&'a [T]>);

impl<T: Copy> Array<'_, T> {
    /// One that may be null.
    pub(crate) fn optional(pointer: *const T, count: usize) -> Result<Self, i32> {
        if pointer.is_null() { Ok(Self(None)) } else { Self::needed(pointer, count) }
    }

    /// One that may be null only if it is empty.
    pub(crate) fn needed(pointer: *const T, count: usize) -> Result<Self, i32> {
        if count == 0 {
            return Ok(Self(Some(&[])));
        }
        let pointer = checked(pointer)?;
        room_for::<T>(count)?;
        // SAFETY: not null, aligned, no longer than an object can be; plain numbers; the caller's for the call.
        Ok(Self(Some(unsafe { core::slice::from_raw_parts(pointer, count) })))
    }

    pub(crate) fn at(&self, place: usize) -> Option<T> {
        self.0.and_then(|values| values.get(place)).copied()
    }

    pub(crate) fn values(&self) -> &[T] {
        self.0.unwrap_or_default()
    }
}
