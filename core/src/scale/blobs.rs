//! Dark blobs in a reduced picture: where a marker's black border may be.

use crate::photo::Luma;

/// A dark blob's convex outline, in pixels of the full picture, clockwise (x right, y down).
pub(super) struct Blob {
    pub outline: Vec<[f64; 2]>,
}

/// A tile's side in the reduced picture, px; the brightness that parts dark from light is set tile by tile.
const TILE: usize = 8;
/// Where dark and light differ by less than this (of 255), nothing is printed.
const LEAST_CONTRAST: u8 = 24;
/// A marker's border is at least this wide and high in the reduced picture, px.
const LEAST_SIDE: usize = 8;

/// Where between the darkest and the lightest around it a pixel starts to count as dark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Middle {
    /// Half way: best against blur.
    Half,
    /// The geometric middle: a shadow's edge that crosses a marker doesn't count as one of its own.
    Ratio,
}

/// All dark blobs that are large enough and not the whole picture, in a picture reduced by `factor`.
pub(super) fn dark_blobs(small: &Luma, factor: usize, middle: Middle) -> Vec<Blob> {
    let dark = darkness(small, middle);
    let largest = small.width.max(small.height) / 2;
    let shift = (factor as f64 - 1.0) / 2.0;
    connected_runs(&dark, small.width)
        .into_iter()
        .filter_map(|runs| {
            let (left, right) = (runs.iter().map(|r| r.from).min()?, runs.iter().map(|r| r.to).max()?);
            let (top, bottom) = (runs.first()?.row, runs.iter().map(|r| r.row).max()?);
            let sides = [right - left, bottom + 1 - top];
            if sides.iter().any(|&side| side < LEAST_SIDE || side > largest) {
                return None;
            }
            // A pixel's corners lie half a pixel around its centre.
            let corners = runs.iter().flat_map(|r| {
                let (y0, y1) = (r.row as f64 - 0.5, r.row as f64 + 0.5);
                let (x0, x1) = (r.from as f64 - 0.5, r.to as f64 - 0.5);
                [[x0, y0], [x0, y1], [x1, y0], [x1, y1]]
            });
            let full = corners.map(|p| p.map(|c| c * factor as f64 + shift)).collect();
            Some(Blob { outline: convex_hull(full) })
        })
        .collect()
}

/// The picture reduced by averaging `factor` × `factor` pixels.
pub(super) fn reduce(luma: &Luma, factor: usize) -> Luma {
    if factor == 1 {
        return luma.clone();
    }
    let (width, height) = (luma.width / factor, luma.height / factor);
    let mut pixels = Vec::with_capacity(width * height);
    let mut sums = vec![0_u32; width];
    for row in 0..height {
        sums.fill(0);
        for inner in 0..factor {
            let start = (row * factor + inner) * luma.width;
            for (sum, group) in sums.iter_mut().zip(luma.pixels[start..start + luma.width].chunks_exact(factor)) {
                *sum += group.iter().map(|&p| u32::from(p)).sum::<u32>();
            }
        }
        pixels.extend(sums.iter().map(|sum| (sum / (factor * factor) as u32) as u8));
    }
    Luma { width, height, pixels }
}

/// For each pixel whether it is darker than the middle between the darkest and the lightest around it.
fn darkness(small: &Luma, middle: Middle) -> Vec<bool> {
    let (columns, rows) = (small.width.div_ceil(TILE), small.height.div_ceil(TILE));
    let mut range = vec![(u8::MAX, u8::MIN); columns * rows];
    for (y, line) in small.pixels.chunks_exact(small.width).enumerate() {
        for (tile, chunk) in line.chunks(TILE).enumerate() {
            let (low, high) = &mut range[y / TILE * columns + tile];
            for &pixel in chunk {
                (*low, *high) = ((*low).min(pixel), (*high).max(pixel));
            }
        }
    }
    let limit = |column: usize, row: usize| {
        let around = (row.saturating_sub(1)..=(row + 1).min(rows - 1)).flat_map(|r| {
            let range = &range;
            (column.saturating_sub(1)..=(column + 1).min(columns - 1)).map(move |c| range[r * columns + c])
        });
        let (low, high) = around.fold((u8::MAX, u8::MIN), |(low, high), (l, h)| (low.min(l), high.max(h)));
        match middle {
            _ if high - low < LEAST_CONTRAST => 0,
            Middle::Half => low + (high - low) / 2,
            // A little is added to both, so that a black of nothing doesn't pull the middle down to nothing.
            Middle::Ratio => ((f32::from(low) + 8.0) * (f32::from(high) + 8.0)).sqrt() as u8 - 8,
        }
    };
    let limits: Vec<u8> =
        (0..rows).flat_map(|row| (0..columns).map(move |c| (c, row))).map(|(c, r)| limit(c, r)).collect();
    small
        .pixels
        .chunks_exact(small.width)
        .enumerate()
        .flat_map(|(y, line)| {
            let limits = &limits[y / TILE * columns..];
            line.iter().enumerate().map(move |(x, &pixel)| pixel < limits[x / TILE])
        })
        .collect()
}

/// Dark pixels side by side in one row: `from` up to but without `to`.
#[derive(Clone, Copy)]
struct Run {
    row: usize,
    from: usize,
    to: usize,
}

/// Runs that touch (also by a corner), blob by blob, each in order of rows.
fn connected_runs(dark: &[bool], width: usize) -> Vec<Vec<Run>> {
    let mut runs: Vec<Run> = Vec::new();
    let mut parent: Vec<usize> = Vec::new();
    let mut above = 0..0;
    for (row, line) in dark.chunks_exact(width).enumerate() {
        let first = runs.len();
        let mut x = 0;
        while let Some(from) = line[x..].iter().position(|&d| d).map(|i| x + i) {
            let to = line[from..].iter().position(|&d| !d).map_or(width, |i| from + i);
            let this = runs.len();
            runs.push(Run { row, from, to });
            parent.push(this);
            for other in above.clone() {
                if runs[other].from <= to && from <= runs[other].to {
                    let (a, b) = (root(&mut parent, this), root(&mut parent, other));
                    parent[a.max(b)] = a.min(b);
                }
            }
            x = to;
        }
        above = first..runs.len();
    }
    let mut blobs: Vec<Vec<Run>> = Vec::new();
    let mut blob_of = vec![usize::MAX; runs.len()];
    for (index, run) in runs.iter().enumerate() {
        let top = root(&mut parent, index);
        if blob_of[top] == usize::MAX {
            blob_of[top] = blobs.len();
            blobs.push(Vec::new());
        }
        blobs[blob_of[top]].push(*run);
    }
    blobs
}

fn root(parent: &mut [usize], mut index: usize) -> usize {
    while parent[index] != index {
        parent[index] = parent[parent[index]];
        index = parent[index];
    }
    index
}

/// Andrew's monotone chain (1979); clockwise with y down.
fn convex_hull(mut points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    points.dedup();
    let half = |points: &mut dyn Iterator<Item = [f64; 2]>| {
        let mut chain: Vec<[f64; 2]> = Vec::new();
        for p in points {
            while let [.., a, b] = chain[..] {
                if cross(a, b, p) > 0.0 {
                    break;
                }
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut hull = half(&mut points.iter().copied());
    hull.extend(half(&mut points.iter().rev().copied()));
    hull
}

/// Twice the area of the triangle a, b, c; positive where it turns clockwise with y down.
pub(super) fn cross(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}
