// Bundles the map into built/, which the program takes in when it is compiled.
import { build } from "esbuild";

const shared = { bundle: true, minify: true, target: "es2022", legalComments: "inline", logLevel: "warning" };
await build({ ...shared, entryPoints: ["map.js"], outfile: "built/map.js", format: "iife" });
await build({ ...shared, entryPoints: ["map.css"], outfile: "built/map.css", loader: { ".png": "dataurl" } });
