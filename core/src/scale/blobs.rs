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
const LEAST_SIDE: usize = 12;

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
    let largest = small.width.max(small.height) / 2;
    let shift = (factor as f64 - 1.0) / 2.0;
    let full = |p: [f64; 2]| p.map(|c| c * factor as f64 + shift);
    connected_rows(&darkness(small, middle), small.width, |sides| {
        sides.iter().all(|side| (LEAST_SIDE..=largest).contains(side))
    })
    .into_iter()
    .map(|rows| {
        // A pixel's corners lie half a pixel around its centre.
        let corners = rows.iter().flat_map(|row| {
            let (y0, y1) = (row.y as f64 - 0.5, row.y as f64 + 0.5);
            let (x0, x1) = (row.from as f64 - 0.5, row.to as f64 - 0.5);
            [[x0, y0], [x0, y1], [x1, y0], [x1, y1]]
        });
        Blob { outline: convex_hull(corners.map(full).collect()) }
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
    let mut columns = vec![0_u16; luma.width];
    let area = (factor * factor) as u32;
    for rows in luma.pixels.chunks_exact(luma.width * factor).take(height) {
        columns.fill(0);
        for row in rows.chunks_exact(luma.width) {
            columns.iter_mut().zip(row).for_each(|(sum, &pixel)| *sum += u16::from(pixel));
        }
        let sums = columns.chunks_exact(factor).take(width);
        pixels.extend(sums.map(|group| (group.iter().map(|&sum| u32::from(sum)).sum::<u32>() / area) as u8));
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
    let mut dark = Vec::with_capacity(small.pixels.len());
    for (y, line) in small.pixels.chunks_exact(small.width).enumerate() {
        let limits = &limits[y / TILE * columns..];
        for (tile, &limit) in line.chunks(TILE).zip(limits) {
            dark.extend(tile.iter().map(|&pixel| pixel < limit));
        }
    }
    dark
}

/// Pixels of one row: `from` up to but without `to`.
#[derive(Clone, Copy)]
struct Row {
    y: usize,
    from: usize,
    to: usize,
}

/// Dark pixels that touch (also by a corner), blob by blob: in each row from the first to the last of them. Only blobs whose
/// width and height are wanted.
fn connected_rows(dark: &[bool], width: usize, wanted: impl Fn([usize; 2]) -> bool) -> Vec<Vec<Row>> {
    let mut runs: Vec<Row> = Vec::new();
    let mut parent: Vec<usize> = Vec::new();
    let mut above = 0..0;
    for (y, line) in dark.chunks_exact(width).enumerate() {
        let first = runs.len();
        let mut x = 0;
        while let Some(from) = line[x..].iter().position(|&d| d).map(|i| x + i) {
            let to = line[from..].iter().position(|&d| !d).map_or(width, |i| from + i);
            let this = runs.len();
            runs.push(Row { y, from, to });
            parent.push(this);
            // Both rows are in order: what ends before this run is behind all that follow.
            while above.start < above.end && runs[above.start].to < from {
                above.start += 1;
            }
            for other in above.clone().take_while(|&other| runs[other].from <= to) {
                let (a, b) = (root(&mut parent, this), root(&mut parent, other));
                parent[a.max(b)] = a.min(b);
            }
            x = to;
        }
        above = first..runs.len();
    }
    // A blob's root is its first run, so its extent is complete before its rows are wanted.
    let roots: Vec<usize> = (0..runs.len()).map(|run| root(&mut parent, run)).collect();
    let mut extents = vec![(usize::MAX, 0, 0); runs.len()];
    for (run, &root) in runs.iter().zip(&roots) {
        let (left, right, bottom) = &mut extents[root];
        (*left, *right, *bottom) = ((*left).min(run.from), (*right).max(run.to), run.y + 1);
    }
    let mut blobs: Vec<Vec<Row>> = Vec::new();
    let mut blob_of = vec![None; runs.len()];
    for (index, (run, &root)) in runs.iter().zip(&roots).enumerate() {
        if index == root {
            let (left, right, bottom) = extents[root];
            if wanted([right - left, bottom - run.y]) {
                blob_of[root] = Some(blobs.len());
                blobs.push(Vec::new());
            }
        }
        let Some(blob) = blob_of[root].map(|blob: usize| &mut blobs[blob]) else { continue };
        match blob.last_mut().filter(|last| last.y == run.y) {
            Some(last) => last.to = run.to,
            None => blob.push(*run),
        }
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
