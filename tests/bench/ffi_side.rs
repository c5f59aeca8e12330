//! The same steps in Rust alone as `FfiClock` takes through the bindings, in turns with it: `ffi-side PHOTO RELIEF.png` waits for a line on
//! its input, finds the scale, looks at the ground and writes the relief, and answers with the milliseconds it took.

use std::io::{BufRead, Write};
use std::path::Path;
use std::time::Instant;

use rakelight_core::photo::Photo;
use rakelight_core::print::{Request, measure};

fn steps(photo: &Path, relief: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let photo = Photo::read(&std::fs::read(photo)?)?;
    measure(&photo, &Request::default())?;
    let measurement = measure(&photo, &Request { look_at_ground: true, ..Request::default() })?;
    std::fs::write(relief, measurement.relief_png(&photo)?)?;
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let paths: Vec<String> = std::env::args().skip(1).collect();
    let [photo, relief] = &paths[..] else { return Err("ffi-side PHOTO RELIEF.png".into()) };
    for line in std::io::stdin().lock().lines() {
        line?;
        let start = Instant::now();
        steps(photo.as_ref(), relief.as_ref())?;
        println!("{:.3}", start.elapsed().as_secs_f64() * 1e3);
        std::io::stdout().flush()?;
    }
    Ok(())
}
