//! Takes in what the pages bundle from npm, where `base/pages/build` has built it; the pages are whole without it.

use std::path::Path;

fn main() {
    let built = ["map.js", "map.css"].iter().all(|name| Path::new("pages/built").join(name).is_file());
    println!("cargo:rerun-if-changed=pages/built");
    println!("cargo:rustc-check-cfg=cfg(pages_built)");
    if built {
        println!("cargo:rustc-cfg=pages_built");
    }
}
