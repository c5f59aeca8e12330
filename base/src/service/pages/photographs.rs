//! Photographs as a screen needs them: upright copies, smaller, without anything but the picture; and what low light shows of the ground.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{self, FilterType};
use rakelight_core::exchange::wire::Role;
use rakelight_core::photo::{Photo, read_colour};
use rakelight_core::print;

use super::Pages;
use super::ask::Ask;
use super::fields::Fields;
use super::refusal::Refusal;

/// A copy's longer side at most, px: sharp on a screen that is 1600 px wide.
const LONGEST_PX: u32 = 1600;
/// So many bytes of copies are kept at hand.
const KEPT_BYTES: usize = 64 << 20;

/// What of a photograph is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum View {
    /// All of it.
    Whole,
    /// A part: left, top, width and height in the upright picture, px.
    Part([u32; 4]),
    /// The ground around the print as low light shows it, from straight above.
    Relief,
}

/// Copies that were made, the last used ones.
#[derive(Default)]
pub struct Pictures {
    kept: Mutex<Kept>,
    /// A copy is made once, however many ask for it at the same time: who comes second waits here. A decoded photograph takes much memory, so
    /// few are made at once.
    making: [Mutex<()>; 2],
}

/// A photograph's SHA-256, and what of it.
type Key = (String, View);

#[derive(Default)]
struct Kept {
    /// When each was last used, by count, and the copy itself.
    pictures: HashMap<Key, (u64, Arc<Vec<u8>>)>,
    bytes: usize,
    uses: u64,
}

impl Pictures {
    /// The copy, made where there is none. `path` is where the photograph lies.
    fn copy(&self, sha256: &str, view: View, path: &std::path::Path) -> Result<Arc<Vec<u8>>, Refusal> {
        let key = (sha256.to_owned(), view);
        if let Some(copy) = self.kept().get(&key) {
            return Ok(copy);
        }
        let _one_at_a_time = self.turn(&key).lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(copy) = self.kept().get(&key) {
            return Ok(copy);
        }
        let copy = Arc::new(made(&std::fs::read(path).map_err(Refusal::machine)?, view)?);
        self.kept().put(key, copy.clone());
        Ok(copy)
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn turn(&self, key: &Key) -> &Mutex<()> {
        let first = key.0.bytes().next().unwrap_or(0);
        &self.making[usize::from(first) % self.making.len()]
    }
}

impl Kept {
    fn get(&mut self, key: &Key) -> Option<Arc<Vec<u8>>> {
        self.uses += 1;
        let (used, copy) = self.pictures.get_mut(key)?;
        *used = self.uses;
        Some(copy.clone())
    }

    fn put(&mut self, key: Key, copy: Arc<Vec<u8>>) {
        self.bytes += copy.len();
        self.uses += 1;
        if let Some((_, old)) = self.pictures.insert(key, (self.uses, copy)) {
            self.bytes -= old.len();
        }
        while self.bytes > KEPT_BYTES && self.pictures.len() > 1 {
            let oldest = self.pictures.iter().min_by_key(|(_, (used, _))| *used).map(|(key, _)| key.clone());
            let Some((_, copy)) = oldest.and_then(|key| self.pictures.remove(&key)) else { break };
            self.bytes -= copy.len();
        }
    }
}

fn made(photo: &[u8], view: View) -> Result<Vec<u8>, Refusal> {
    let not_shown = |_| Refusal::wrong("pages.refused.photograph");
    let picture = match view {
        View::Relief => return relief(photo),
        _ => read_colour(photo).map_err(not_shown)?,
    };
    let (left, top, width, height) = match view {
        View::Part([x, y, w, h]) => (x.min(picture.width() - 1), y.min(picture.height() - 1), w.max(1), h.max(1)),
        _ => (0, 0, picture.width(), picture.height()),
    };
    let (width, height) = (width.min(picture.width() - left), height.min(picture.height() - top));
    let scale = (f64::from(LONGEST_PX) / f64::from(width.max(height))).min(1.0);
    let [w, h] = [width, height].map(|side| ((f64::from(side) * scale).round() as u32).max(1));
    let part = imageops::crop_imm(&picture, left, top, width, height);
    // Much smaller: each pixel the mean of those that it stands for. Hardly smaller: smooth.
    let copy = if scale < 0.6 {
        imageops::thumbnail(&*part, w, h)
    } else {
        imageops::resize(&*part, w, h, FilterType::Triangle)
    };
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, 85).encode_image(&copy).map_err(Refusal::machine)?;
    Ok(jpeg)
}

fn relief(photo: &[u8]) -> Result<Vec<u8>, Refusal> {
    let no_relief = || Refusal::wrong("pages.refused.no_relief");
    let photo = Photo::read(photo).map_err(|_| Refusal::wrong("pages.refused.photograph"))?;
    let request = print::Request { look_at_ground: true, ..print::Request::default() };
    let measured = print::measure(&photo, &request).map_err(|_| no_relief())?;
    measured.relief_png(&photo).map_err(Refusal::machine)
}

pub async fn view(ask: Ask, Path((sha256, name)): Path<(String, String)>) -> Response {
    ask.person(Role::FieldWorker, move |reader, _| {
        let view = match name.as_str() {
            "photo.jpg" => asked_for(reader.query),
            "relief.png" => View::Relief,
            _ => return Err(Refusal::NOT_THERE),
        };
        let copy = reader.pages.copy(&sha256, view)?.ok_or(Refusal::NOT_THERE)?;
        let kind = if view == View::Relief { "image/png" } else { "image/jpeg" };
        let headers = [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "private, max-age=600")];
        Ok((headers, copy.to_vec()).into_response())
    })
    .await
}

fn asked_for(query: &Fields) -> View {
    let number = |name| query.get(name).and_then(|value| value.parse::<u32>().ok());
    match (number("x"), number("y"), number("w"), number("h")) {
        (Some(x), Some(y), Some(w), Some(h)) => View::Part([x, y, w, h]),
        _ => View::Whole,
    }
}

impl Pages {
    /// A photograph's copy; `None` where the photograph isn't here.
    fn copy(&self, sha256: &str, view: View) -> Result<Option<Arc<Vec<u8>>>, Refusal> {
        let path = self.with_store(|store| store.photo_path(sha256))?;
        path.map(|path| self.pictures.copy(sha256, view, &path)).transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_that_were_not_used_for_long_make_way() {
        let mut kept = Kept::default();
        let key = |i: usize| (i.to_string(), View::Whole);
        for i in 0..5 {
            kept.put(key(i), Arc::new(vec![0; 16 << 20]));
            assert!(kept.get(&key(0)).is_some());
        }
        assert!(kept.bytes <= KEPT_BYTES && kept.get(&key(1)).is_none() && kept.get(&key(4)).is_some());
    }
}
