//! Renders the example scene, or the scene file given, to nothing, and prints its truth as JSON.

use std::io::Write;

use lobewright_sim::Scene;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let scene = match std::env::args().nth(1) {
        Some(path) => Scene::from_toml(&std::fs::read_to_string(&path)?, &path)?,
        None => Scene::hill_country_demo(1),
    };
    let mut out = std::io::stdout().lock();
    for index in 0..scene.stations().len() {
        let mut renderer = scene.renderer(index)?;
        let mut bytes = 0;
        while let Some(block) = renderer.next_block() {
            bytes += block.bytes.len();
        }
        let truth = serde_json::to_string_pretty(renderer.truth())?;
        writeln!(out, "{truth}\n{bytes} bytes, {} azimuths", renderer.track().len())?;
    }
    Ok(())
}
