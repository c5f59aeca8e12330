//! The largest clique of a graph: branch and bound, the bound by greedy colouring (Tomita & Seki 2003, LNCS 2731:278–289), over sets of bits.

/// A set of vertices of which every two are joined.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clique {
    /// In order.
    pub members: Vec<usize>,
    /// Whether there is none larger; `false` where the work was cut short.
    pub exact: bool,
}

/// Steps over words of bits before the work is cut short: seconds.
const MOST_WORK: usize = 2_000_000_000;

type Set = Vec<u64>;

struct Search {
    joined: Vec<Set>,
    best: Vec<usize>,
    work: usize,
}

/// The largest clique among this many vertices.
pub fn largest(vertices: usize, edges: impl Iterator<Item = [usize; 2]>) -> Clique {
    // The most joined first: colouring then bounds more tightly.
    let edges: Vec<[usize; 2]> = edges.collect();
    let mut degree = vec![0_usize; vertices];
    edges.iter().flatten().for_each(|vertex| degree[*vertex] += 1);
    let mut order: Vec<usize> = (0..vertices).collect();
    order.sort_by_key(|vertex| (std::cmp::Reverse(degree[*vertex]), *vertex));
    let mut at = vec![0; vertices];
    order.iter().enumerate().for_each(|(i, vertex)| at[*vertex] = i);
    let words = vertices.div_ceil(64);
    let mut joined = vec![vec![0; words]; vertices];
    for [a, b] in edges.iter().map(|edge| edge.map(|vertex| at[vertex])).filter(|[a, b]| a != b) {
        put(&mut joined[a], b);
        put(&mut joined[b], a);
    }
    let mut all = vec![0; words];
    (0..vertices).for_each(|vertex| put(&mut all, vertex));
    let mut search = Search { joined, best: vec![], work: 0 };
    search.expand(&mut vec![], &all);
    let mut members: Vec<usize> = search.best.iter().map(|vertex| order[*vertex]).collect();
    members.sort_unstable();
    Clique { members, exact: search.work < MOST_WORK }
}

impl Search {
    fn expand(&mut self, clique: &mut Vec<usize>, candidates: &Set) {
        if clique.len() > self.best.len() {
            self.best.clone_from(clique);
        }
        let mut left = candidates.clone();
        let coloured = self.coloured(candidates);
        self.work += (coloured.len() + 1) * candidates.len();
        for (vertex, colours) in coloured.into_iter().rev() {
            if clique.len() + colours <= self.best.len() || self.work >= MOST_WORK {
                return;
            }
            let further = left.iter().zip(&self.joined[vertex]).map(|(a, b)| a & b).collect();
            clique.push(vertex);
            self.expand(clique, &further);
            clique.pop();
            left[vertex / 64] &= !(1 << (vertex % 64));
        }
    }

    /// The candidates colour by colour, no two of a colour joined, each with the number of colours up to it: so many of those up to it can be in a
    /// clique at most.
    fn coloured(&self, candidates: &Set) -> Vec<(usize, usize)> {
        let (mut uncoloured, mut coloured, mut colours) = (candidates.clone(), Vec::new(), 0);
        while uncoloured.iter().any(|word| *word != 0) {
            colours += 1;
            let mut free = uncoloured.clone();
            while let Some(vertex) = first(&free) {
                coloured.push((vertex, colours));
                uncoloured[vertex / 64] &= !(1 << (vertex % 64));
                free[vertex / 64] &= !(1 << (vertex % 64));
                free.iter_mut().zip(&self.joined[vertex]).for_each(|(word, joined)| *word &= !joined);
            }
        }
        coloured
    }
}

fn put(set: &mut Set, vertex: usize) {
    set[vertex / 64] |= 1 << (vertex % 64);
}

fn first(set: &Set) -> Option<usize> {
    set.iter().position(|word| *word != 0).map(|at| at * 64 + set[at].trailing_zeros() as usize)
}
