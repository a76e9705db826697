//! Writing a NumPy array file, number by number, behind the header that [`write_npy_header`] writes.

use std::io::{self, ErrorKind, Write};

use crate::npy::write_npy_header;

/// Type of the numbers in an array file, little-endian all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NpyType {
    /// Whole numbers from -32 768 to 32 767.
    I16,
    /// Whole numbers from 0 to 65 535.
    U16,
    /// Whole numbers of 32 bits with a sign.
    I32,
    /// Whole numbers of 32 bits without one.
    U32,
    /// Floating point of 32 bits (IEEE 754), exact for whole numbers of 24 bits.
    F32,
    /// Floating point of 64 bits (IEEE 754).
    F64,
}

impl NpyType {
    /// NumPy's word for it.
    pub fn descr(self) -> &'static str {
        match self {
            Self::I16 => "<i2",
            Self::U16 => "<u2",
            Self::I32 => "<i4",
            Self::U32 => "<u4",
            Self::F32 => "<f4",
            Self::F64 => "<f8",
        }
    }

    /// Bytes of one number.
    pub fn bytes(self) -> usize {
        match self {
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

/// An array file that is being written: its shape is said first, its numbers follow in C order.
#[derive(Debug)]
pub struct NpyWriter<W> {
    out: W,
    /// Bytes of numbers that are still to come.
    left: u64,
}

impl<W: Write> NpyWriter<W> {
    /// Writes the header. A shape of more bytes than a file can have is refused.
    pub fn begin(mut out: W, numbers: NpyType, shape: [usize; 3]) -> io::Result<Self> {
        let left = shape
            .iter()
            .try_fold(numbers.bytes() as u64, |product, &size| product.checked_mul(size as u64))
            .ok_or_else(|| io::Error::new(ErrorKind::InvalidInput, "an array of more than 2^64 bytes"))?;
        write_npy_header(&mut out, numbers.descr(), &shape)?;
        Ok(Self { out, left })
    }

    /// Writes numbers, as they lie in the file.
    pub fn write(&mut self, numbers: &[u8]) -> io::Result<()> {
        self.left = self
            .left
            .checked_sub(numbers.len() as u64)
            .ok_or_else(|| io::Error::new(ErrorKind::InvalidInput, "more numbers than the shape has"))?;
        self.out.write_all(numbers)
    }

    /// Ends the file; refuses where numbers are missing.
    pub fn finish(self) -> io::Result<()> {
        if self.left > 0 {
            return Err(io::Error::new(ErrorKind::InvalidInput, "fewer numbers than the shape has"));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What `numpy.save` of NumPy 2.4 writes for `np.arange(6, dtype='<i2').reshape(3, 2, 1)`, byte for byte.
    #[test]
    fn the_file_is_the_one_that_numpy_writes() {
        let mut file = Vec::new();
        let mut writer = NpyWriter::begin(&mut file, NpyType::I16, [3, 2, 1]).unwrap();
        for number in 0..6_i16 {
            writer.write(&number.to_le_bytes()).unwrap();
        }
        writer.finish().unwrap();
        let mut expected = b"\x93NUMPY\x01\x00\x76\x00".to_vec();
        expected.extend_from_slice(b"{'descr': '<i2', 'fortran_order': False, 'shape': (3, 2, 1), }");
        expected.resize(127, b' ');
        expected.push(b'\n');
        expected.extend_from_slice(&[0, 0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0]);
        assert_eq!(file, expected);
    }

    #[test]
    fn too_many_numbers_and_too_few_are_refused() {
        let mut writer = NpyWriter::begin(Vec::new(), NpyType::F64, [1, 1, 1]).unwrap();
        assert!(writer.write(&[0; 9]).is_err());
        assert!(NpyWriter::begin(Vec::new(), NpyType::F32, [2, 1, 1]).unwrap().finish().is_err());
        assert!(NpyWriter::begin(Vec::new(), NpyType::F32, [usize::MAX, 2, 1]).is_err());
    }
}
