//! Writes the readers' good examples into a folder, a folder a reader: where `tests/bench/fuzz` starts from.

use rakelight_checks::fuzz::READERS;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("name a folder")?;
    for reader in &READERS {
        let folder = format!("{folder}/{}", reader.name);
        std::fs::create_dir_all(&folder)?;
        for (i, example) in (reader.examples)().into_iter().enumerate() {
            std::fs::write(format!("{folder}/example-{i}"), example)?;
        }
        println!("{}", reader.name);
    }
    Ok(())
}
