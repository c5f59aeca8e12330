//! What a file is by its first bytes, whatever its name says.

/// A kind of file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    Jpeg,
    Png,
    /// Can't be read: what it is, and what to do.
    Other {
        what: &'static str,
        what_to_do: &'static str,
    },
}

const PHONE: &str =
    "set the camera to JPEG ('most compatible'), or export this photograph as JPEG at full size, uncropped";
const RAW: &str =
    "set the camera to JPEG or to raw with JPEG, or export this photograph as JPEG at full size, uncropped";
const EXPORT: &str = "export it as JPEG at full size, uncropped";
const FILM: &str = "a film's pictures are too small and blurred to measure: take a photograph";
const NONE: &str = "put the photograph in its place, as the camera wrote it";

impl Kind {
    /// Magic bytes: ITU-T T.81, W3C PNG, GIF89a, RIFF, TIFF 6.0 and each maker's own; boxes by ISO/IEC 14496-12.
    pub fn of(bytes: &[u8]) -> Self {
        let (what, what_to_do) = match bytes {
            [0xFF, 0xD8, ..] => return Self::Jpeg,
            [0x89, b'P', b'N', b'G', ..] => return Self::Png,
            [_, _, _, _, b'f', b't', b'y', b'p', ..] => return Self::by_brands(bytes),
            [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => return Self::of_tiff(bytes),
            [b'I', b'I', 43, 0, ..] | [b'M', b'M', 0, 43, ..] => ("a TIFF picture", EXPORT),
            [b'I', b'I', b'R', b'O' | b'S', ..] | [b'M', b'M', b'O', b'R', ..] => ("an Olympus raw file (ORF)", RAW),
            [b'I', b'I', b'U', 0, ..] => ("a Panasonic raw file (RW2)", RAW),
            [b'F', b'O', b'V', b'b', ..] => ("a Sigma raw file (X3F)", RAW),
            _ if bytes.starts_with(b"FUJIFILMCCD-RAW") => ("a Fujifilm raw file (RAF)", RAW),
            [b'G', b'I', b'F', b'8', ..] => ("a GIF picture", EXPORT),
            [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => ("a WebP picture", EXPORT),
            [b'R', b'I', b'F', b'F', ..] | [0x1A, 0x45, 0xDF, 0xA3, ..] => ("a video", FILM),
            [_, _, _, _, b'm', b'o', b'o', b'v', ..] | [_, _, _, _, b'm', b'd', b'a', b't', ..] => ("a video", FILM),
            [_, _, _, _, b'j', b'P', b' ', b' ', ..] | [0xFF, 0x4F, 0xFF, 0x51, ..] => ("a JPEG 2000 picture", EXPORT),
            [_, _, _, _, b'J', b'X', b'L', b' ', ..] | [0xFF, 0x0A, ..] => ("a JPEG XL picture", EXPORT),
            [b'B', b'M', ..] => ("a BMP picture", EXPORT),
            [b'%', b'P', b'D', b'F', ..] => ("a PDF", NONE),
            _ if bytes.iter().take(512).all(|b| b.is_ascii_graphic() || b.is_ascii_whitespace()) => ("a text", NONE),
            _ => ("something else", NONE),
        };
        Self::Other { what, what_to_do }
    }

    /// The file type box lists brands, the major one first: pictures by ISO/IEC 23008-12 and AV1's, `crx ` is Canon's, the rest films.
    fn by_brands(bytes: &[u8]) -> Self {
        let length = bytes.first_chunk().map_or(0, |length| u32::from_be_bytes(*length) as usize);
        let end = length.clamp(12, 256).min(bytes.len());
        let brands: Vec<&[u8]> =
            bytes[8..end].chunks_exact(4).enumerate().filter(|(i, _)| *i != 1).map(|(_, b)| b).collect();
        let any = |known: &[&[u8]]| brands.iter().any(|brand| known.contains(brand));
        let (what, what_to_do) = if any(&[b"crx "]) {
            ("a Canon raw file (CR3)", RAW)
        } else if any(&[b"avif", b"avis"]) {
            ("an AVIF picture", PHONE)
        } else if any(&[b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"]) {
            ("a HEIC (HEIF) picture", PHONE)
        } else {
            ("a video", FILM)
        };
        Self::Other { what, what_to_do }
    }

    /// Most makers' raw files are TIFF files whose first directory holds a thumbnail and points to others.
    fn of_tiff(bytes: &[u8]) -> Self {
        const DNG_VERSION: u16 = 0xC612;
        const MAKE: u16 = 0x010F;
        const SUB_DIRECTORIES: u16 = 0x014A;
        const COMPRESSION: u16 = 0x0103;
        const PENTAX_COMPRESSION: u32 = 65535;
        let directory = Directory::first(bytes);
        let has = |tag| directory.entry(tag).is_some();
        let pentax = directory.entry(COMPRESSION) == Some(PENTAX_COMPRESSION);
        let (what, what_to_do) = if bytes.get(8..10) == Some(b"CR") {
            ("a Canon raw file (CR2)", RAW)
        } else if has(DNG_VERSION) {
            ("a raw file (DNG)", RAW)
        } else if has(MAKE) && (has(SUB_DIRECTORIES) || pentax) {
            let make = directory.entry(MAKE).and_then(|at| bytes.get(at as usize..)).unwrap_or_default();
            match make {
                [b'N' | b'n', b'I' | b'i', ..] => ("a Nikon raw file (NEF)", RAW),
                [b'S' | b's', b'O' | b'o', ..] => ("a Sony raw file (ARW)", RAW),
                _ => ("a camera's raw file", RAW),
            }
        } else {
            ("a TIFF picture", EXPORT)
        };
        Self::Other { what, what_to_do }
    }
}

/// A TIFF file's first directory (TIFF 6.0, section 2).
struct Directory<'a> {
    little: bool,
    entries: &'a [u8],
}

impl<'a> Directory<'a> {
    /// Empty where the file doesn't hold it.
    fn first(bytes: &'a [u8]) -> Self {
        let mut directory = Self { little: bytes.starts_with(b"II"), entries: &[] };
        let at = bytes.get(4..8).map_or(0, |four| directory.number(four) as usize);
        if let Some(rest) = bytes.get(at..).filter(|rest| rest.len() >= 2) {
            let length = directory.number(&rest[..2]) as usize * 12;
            directory.entries = &rest[2..(2 + length).min(rest.len())];
        }
        directory
    }

    /// A tag's number, or where its values are when they are too long to stand in the entry.
    fn entry(&self, tag: u16) -> Option<u32> {
        const SHORT: u32 = 3;
        let found = self.entries.chunks_exact(12).find(|entry| self.number(&entry[..2]) == u32::from(tag))?;
        let short = self.number(&found[2..4]) == SHORT;
        Some(self.number(if short { &found[8..10] } else { &found[8..12] }))
    }

    fn number(&self, bytes: &[u8]) -> u32 {
        let add = |number: u32, byte: &u8| number << 8 | u32::from(*byte);
        if self.little { bytes.iter().rev().fold(0, add) } else { bytes.iter().fold(0, add) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(bytes: &[u8]) -> &'static str {
        match Kind::of(bytes) {
            Kind::Other { what, .. } => what,
            Kind::Jpeg => "JPEG",
            Kind::Png => "PNG",
        }
    }

    /// A file type box with these brands, the major one first.
    fn box_of(brands: &[&[u8; 4]]) -> Vec<u8> {
        let mut bytes = (12 + 4 * brands.len() as u32).to_be_bytes().to_vec();
        bytes.extend_from_slice(b"ftyp");
        bytes.extend_from_slice(brands[0]);
        bytes.extend_from_slice(&[0; 4]);
        brands[1..].iter().for_each(|brand| bytes.extend_from_slice(*brand));
        bytes.extend_from_slice(b"\0\0\0\x08free");
        bytes
    }

    /// A TIFF file whose first directory has these entries (tag, type, value), with a maker's name behind it.
    fn tiff(little: bool, entries: &[(u16, u16, u32)], make: &str) -> Vec<u8> {
        let (two, four) = if little {
            (u16::to_le_bytes as fn(u16) -> [u8; 2], u32::to_le_bytes as fn(u32) -> [u8; 4])
        } else {
            (u16::to_be_bytes as fn(u16) -> [u8; 2], u32::to_be_bytes as fn(u32) -> [u8; 4])
        };
        let mut bytes = if little { b"II".to_vec() } else { b"MM".to_vec() };
        bytes.extend(two(42));
        bytes.extend(four(8));
        bytes.extend(two(entries.len() as u16 + 1));
        bytes.extend([two(0x010F), two(2)].concat());
        bytes.extend(four(make.len() as u32));
        bytes.extend(four(8 + 2 + 12 * (entries.len() as u32 + 1)));
        for (tag, kind, value) in entries {
            bytes.extend([two(*tag), two(*kind)].concat());
            bytes.extend(four(1));
            bytes.extend(if *kind == 3 { [two(*value as u16), [0; 2]].concat() } else { four(*value).to_vec() });
        }
        bytes.extend_from_slice(make.as_bytes());
        bytes
    }

    #[test]
    fn what_phones_write_is_told_apart_by_the_brands_of_its_box() {
        assert_eq!(name(&box_of(&[b"heic", b"mif1", b"heic"])), "a HEIC (HEIF) picture");
        assert_eq!(name(&box_of(&[b"mif1", b"heic"])), "a HEIC (HEIF) picture");
        assert_eq!(name(&box_of(&[b"mif1", b"avif"])), "an AVIF picture");
        assert_eq!(name(&box_of(&[b"crx ", b"isom"])), "a Canon raw file (CR3)");
        for film in [b"qt  ", b"mp42", b"isom", b"3gp4"] {
            assert_eq!(name(&box_of(&[film])), "a video");
        }
        assert_eq!(name(b"\0\0\0\x08moov"), "a video");
    }

    #[test]
    fn raw_files_are_told_from_tiff_pictures() {
        assert_eq!(name(&tiff(true, &[(0x0103, 3, 1)], "SomeScanner")), "a TIFF picture");
        assert_eq!(name(&tiff(false, &[(0xC612, 1, 0x0104_0000)], "Google")), "a raw file (DNG)");
        assert_eq!(name(&tiff(false, &[(0x014A, 4, 900)], "NIKON CORPORATION")), "a Nikon raw file (NEF)");
        assert_eq!(name(&tiff(true, &[(0x014A, 4, 900)], "SONY")), "a Sony raw file (ARW)");
        assert_eq!(name(&tiff(false, &[(0x0103, 3, 65535)], "PENTAX")), "a camera's raw file");
        assert_eq!(name(b"II\x2A\0\x10\0\0\0CR\x02\0"), "a Canon raw file (CR2)");
        assert_eq!(name(b"FUJIFILMCCD-RAW 0201"), "a Fujifilm raw file (RAF)");
        assert_eq!(name(b"IIRO\x08\0\0\0"), "an Olympus raw file (ORF)");
        assert_eq!(name(b"IIU\0\x08\0\0\0"), "a Panasonic raw file (RW2)");
        // A directory that lies beyond the file's end.
        assert_eq!(name(b"II\x2A\0\xFF\xFF\xFF\xFF"), "a TIFF picture");
    }
}
