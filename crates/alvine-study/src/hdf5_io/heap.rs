//! A look at the heaps of text before the library reads them.
//!
//! HDF5 keeps text of variable length in global heap collections: a header of 16 bytes (`GCOL`, version 1, three zeros,
//! size), then objects with a header of 16 bytes (index, references, four bytes reserved, size), each padded to 8 bytes;
//! the object of index 0 is the free rest and counts its own header. Given a free rest of size 0, which one wrong bit
//! can make, version 1.14.6 of the library never returns. So every collection is walked here first.
//!
//! # Source
//!
//! HDF5 File Format Specification, version 3.0, III.E.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

const SIGNATURE: &[u8; 8] = b"GCOL\x01\0\0\0";
const HEADER: usize = 16;
/// The library makes no collection smaller.
const LEAST: u64 = 4096;
/// No collection of a study is larger.
const MOST: u64 = 256 << 20;
const WINDOW: usize = 1 << 20;

/// Whether every heap collection in a file can be walked to its end.
pub(crate) fn heaps_are_sound(file: &mut File) -> io::Result<bool> {
    let length = file.metadata()?.len();
    let mut window = Vec::with_capacity(WINDOW);
    let mut from = 0;
    while from < length {
        file.seek(SeekFrom::Start(from))?;
        window.clear();
        file.take(WINDOW as u64).read_to_end(&mut window)?;
        for at in signatures(&window) {
            if !collection_is_sound(file, from + at as u64, length)? {
                return Ok(false);
            }
        }
        // Windows overlap, so that no signature is cut in two.
        from += (WINDOW - SIGNATURE.len()) as u64;
    }
    Ok(true)
}

/// Where collections seem to begin.
fn signatures(bytes: &[u8]) -> impl Iterator<Item = usize> {
    let mut from = 0;
    std::iter::from_fn(move || {
        loop {
            let at = from + bytes[from..].iter().position(|&byte| byte == SIGNATURE[0])?;
            from = at + 1;
            if bytes[at..].starts_with(SIGNATURE) {
                return Some(at);
            }
        }
    })
}

fn collection_is_sound(file: &mut File, at: u64, file_length: u64) -> io::Result<bool> {
    let mut header = [0; HEADER];
    if at + HEADER as u64 > file_length {
        return Ok(false);
    }
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(&mut header)?;
    let size = size_at(&header, 8);
    if !(LEAST..=MOST).contains(&size) || size > file_length - at {
        return Ok(false);
    }
    let mut objects = Vec::new();
    file.take(size - HEADER as u64).read_to_end(&mut objects)?;
    Ok(objects_are_sound(&objects))
}

/// Walks the objects of a collection as the library does.
fn objects_are_sound(mut rest: &[u8]) -> bool {
    while rest.len() >= HEADER {
        let is_free = rest[..2] == [0, 0];
        let size = size_at(rest, 8);
        let needed = if is_free {
            Some(size)
        } else {
            size.checked_next_multiple_of(8)
                .and_then(|padded| padded.checked_add(HEADER as u64))
        };
        match needed.and_then(|needed| usize::try_from(needed).ok()) {
            Some(needed) if needed > 0 && needed <= rest.len() => rest = &rest[needed..],
            _ => return false,
        }
    }
    true
}

/// The little-endian size at an offset.
fn size_at(bytes: &[u8], offset: usize) -> u64 {
    let mut size = [0; 8];
    size.copy_from_slice(&bytes[offset..offset + 8]);
    u64::from_le_bytes(size)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn object(index: u8, size: u64, padded: usize) -> Vec<u8> {
        let mut object = vec![index, 0, 1, 0, 0, 0, 0, 0];
        object.extend(size.to_le_bytes());
        object.resize(padded, b'x');
        object
    }

    #[test]
    fn whole_collections_are_sound_and_those_without_end_are_not() {
        let good = [object(1, 5, 24), object(2, 8, 24), object(0, 40, 40)].concat();
        assert!(objects_are_sound(&good));
        let endless = [object(1, 5, 24), object(0, 0, 64)].concat();
        assert!(!objects_are_sound(&endless));
        let beyond = [object(1, 500, 24), object(0, 40, 40)].concat();
        assert!(!objects_are_sound(&beyond));
        let absurd = [object(1, u64::MAX - 3, 24), object(0, 40, 40)].concat();
        assert!(!objects_are_sound(&absurd));
    }

    #[test]
    fn signatures_are_found_wherever_they_begin() {
        let bytes = [b"GGCOL\x01\0\0\0GCOL\x02\0\0\0".as_slice(), SIGNATURE].concat();
        assert_eq!(signatures(&bytes).collect::<Vec<_>>(), [1, 17]);
    }
}
