//! The trails of a folder: along a tape, or by the visit's photographs.

use serde_json::json;

use super::super::record::TrailMeasured;
use super::{FolderError, Reader, read};
use crate::photo::Photo;
use crate::print::{Request, ScaleKind, StatedScale};
use crate::trail::{self, TrailMarks, TrailPhoto, TrailPhotos, TrailPrints, TrailReading};

impl Reader<'_> {
    /// Reads all trails. Photographs that give none are warned about and the rest goes on; a tape that gives none is an error.
    pub(super) fn trails(&mut self) -> Result<(), FolderError> {
        for trail in &self.file.trail {
            let id = trail.id.clone();
            let (prints, photos, reading) = match &trail.marks {
                TrailMarks::Tape(prints) => {
                    let reading =
                        trail::read(prints).map_err(|source| FolderError::Trail { id: id.clone(), source })?;
                    (prints.clone(), None, reading)
                }
                TrailMarks::Photos(photos) => match self.by_photographs(&id, photos) {
                    Ok((prints, reading)) => (prints, Some(photos.clone()), reading),
                    Err(why) => {
                        self.warn_of_trail(&id, &why);
                        continue;
                    }
                },
            };
            self.visit.trails.push(TrailMeasured { id, prints, photos, reading: json!(reading) });
        }
        Ok(())
    }

    fn warn_of_trail(&mut self, id: &str, why: &str) {
        self.out.warnings.push(self.words.fill("folder.trail", &[("id", id), ("why", why)]));
    }

    fn by_photographs(&mut self, id: &str, photos: &TrailPhotos) -> Result<(TrailPrints, TrailReading), String> {
        let placed = photos.place(|photo| self.opened(photo)).map_err(|error| error.to_string())?;
        for (file, warning) in &placed.of_photos {
            self.out.warnings.push(format!("{file}: {}", warning.say(self.words)));
        }
        for warning in &placed.prints.warnings {
            self.warn_of_trail(id, &warning.to_string());
        }
        let reading =
            trail::read_placed(&placed.prints, photos.travel, photos.drag_mark).map_err(|error| error.to_string())?;
        Ok((placed.prints.as_along_tape(photos.travel, photos.drag_mark), reading))
    }

    /// A photograph with what its `[[photo]]` says of scale, card and depth.
    fn opened(&self, photo: &TrailPhoto) -> Result<(Photo, Request), String> {
        let bytes = read(self.folder, &photo.file).map_err(|error| error.to_string())?;
        let picture = Photo::read(&bytes).map_err(|error| error.to_string())?;
        let mut request = photo.request().map_err(|error| error.to_string())?;
        let entry = self.file.photo(&photo.file);
        if let (None, Some(scale)) = (&photo.scale, entry.and_then(|entry| entry.scale.as_ref())) {
            request.scale = StatedScale::kind(scale).map_err(|error| error.to_string())?;
        }
        if let Some(entry) = entry {
            request.floor = entry.floor().ok_or_else(|| self.words.say("folder.depth_pair").to_owned())?;
        }
        request.check_line = self.file.check_line(entry).filter(|_| request.scale == ScaleKind::Card);
        Ok((picture, request))
    }
}
