//! The quadtree's leaves cut into triangles that meet without gaps.

use std::collections::{HashMap, HashSet};

use crate::likelihood::{OUTSIDE_LN, Surface};
use crate::search::{Cell, MAX_LEVEL};

/// Steps of the finest lattice across the domain: the middles of the finest cells are on it.
const LATTICE: u32 = 1 << (MAX_LEVEL + 1);

/// A point where the posterior was computed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Node {
    pub(crate) east_m: f64,
    pub(crate) north_m: f64,
    /// Log posterior up to a constant.
    pub(crate) ln: f64,
    corner: bool,
}

impl Node {
    /// A point of any layout.
    pub(crate) fn at(east_m: f64, north_m: f64, ln: f64) -> Self {
        Self {
            east_m,
            north_m,
            ln,
            corner: false,
        }
    }

    /// Whether the point lies beyond the search disc.
    pub(crate) fn outside(&self) -> bool {
        self.ln <= OUTSIDE_LN
    }
}

/// Nodes, leaves and triangles.
#[derive(Debug)]
pub(crate) struct Mesh<'a> {
    surface: &'a Surface<'a>,
    pub(crate) nodes: Vec<Node>,
    index: HashMap<(u32, u32), u32>,
    split: HashSet<Cell>,
    pub(crate) leaves: Vec<Leaf>,
    /// Corners counter-clockwise, the leaf's middle first.
    pub(crate) triangles: Vec<[u32; 3]>,
}

/// A square that is not split further.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Leaf {
    pub(crate) cell: Cell,
    pub(crate) middle: u32,
    pub(crate) corners: [u32; 4],
    /// Its triangles: first and one past the last.
    pub(crate) triangles: (usize, usize),
}

impl<'a> Mesh<'a> {
    /// A mesh whose leaves are at least as fine as the cells given.
    pub(crate) fn new(surface: &'a Surface<'a>, cells: &[Cell]) -> Self {
        let mut mesh = Self {
            surface,
            nodes: Vec::new(),
            index: HashMap::new(),
            split: HashSet::new(),
            leaves: Vec::new(),
            triangles: Vec::new(),
        };
        for &cell in cells {
            mesh.split_above(cell);
        }
        mesh.rebuild();
        mesh
    }

    /// Splits every ancestor of a cell.
    fn split_above(&mut self, cell: Cell) {
        let mut at = cell;
        while at.level > 0 {
            at = Cell {
                level: at.level - 1,
                ix: at.ix / 2,
                iy: at.iy / 2,
            };
            if !self.split.insert(at) {
                break;
            }
        }
    }

    /// Splits leaves and lays the triangles anew.
    pub(crate) fn refine(&mut self, cells: &[Cell]) {
        self.split.extend(cells.iter().copied());
        self.rebuild();
    }

    pub(crate) fn radius_m(&self) -> f64 {
        self.surface.domain.radius_m
    }

    fn rebuild(&mut self) {
        let mut cells = Vec::new();
        let mut stack = vec![Cell {
            level: 0,
            ix: 0,
            iy: 0,
        }];
        while let Some(cell) = stack.pop() {
            if self.split.contains(&cell) {
                stack.extend(cell.children());
            } else {
                cells.push(cell);
            }
        }
        self.leaves.clear();
        self.triangles.clear();
        for cell in cells {
            let step = LATTICE >> cell.level;
            let (x, y) = (cell.ix * step, cell.iy * step);
            let corners = [(x, y), (x + step, y), (x + step, y + step), (x, y + step)].map(|c| {
                let node = self.node(c);
                self.nodes[node as usize].corner = true;
                node
            });
            let middle = self.node((x + step / 2, y + step / 2));
            self.leaves.push(Leaf {
                cell,
                middle,
                corners,
                triangles: (0, 0),
            });
        }
        // Only now are all corners known, so that every edge sees the finer neighbour's.
        let mut rim = Vec::new();
        for k in 0..self.leaves.len() {
            let cell = self.leaves[k].cell;
            let step = LATTICE >> cell.level;
            let (x, y) = (cell.ix * step, cell.iy * step);
            let corners = [(x, y), (x + step, y), (x + step, y + step), (x, y + step)];
            rim.clear();
            for i in 0..4 {
                self.edge(corners[i], corners[(i + 1) % 4], &mut rim);
            }
            let first = self.triangles.len();
            let middle = self.leaves[k].middle;
            for i in 0..rim.len() {
                self.triangles.push([middle, rim[i], rim[(i + 1) % rim.len()]]);
            }
            self.leaves[k].triangles = (first, self.triangles.len());
        }
    }

    /// Appends the corner nodes from `a` up to, not including, `b`.
    fn edge(&self, a: (u32, u32), b: (u32, u32), rim: &mut Vec<u32>) {
        let middle = (u32::midpoint(a.0, b.0), u32::midpoint(a.1, b.1));
        let known = self
            .index
            .get(&middle)
            .filter(|&&n| middle != a && middle != b && self.nodes[n as usize].corner);
        if known.is_some() {
            self.edge(a, middle, rim);
            self.edge(middle, b, rim);
        } else if let Some(&n) = self.index.get(&a) {
            rim.push(n);
        }
    }

    fn node(&mut self, at: (u32, u32)) -> u32 {
        if let Some(&known) = self.index.get(&at) {
            return known;
        }
        let step_m = 2.0 * self.radius_m() / f64::from(LATTICE);
        let east_m = f64::from(at.0) * step_m - self.radius_m();
        let north_m = f64::from(at.1) * step_m - self.radius_m();
        let number = u32::try_from(self.nodes.len()).expect("the evaluation budget is far below 2^32");
        self.nodes.push(Node {
            east_m,
            north_m,
            ln: self.surface.ln_local(east_m, north_m),
            corner: false,
        });
        self.index.insert(at, number);
        number
    }

    /// Area of a triangle in the local frame.
    pub(crate) fn area_m2(&self, triangle: [u32; 3]) -> f64 {
        let [a, b, c] = triangle.map(|n| self.nodes[n as usize]);
        0.5 * ((b.east_m - a.east_m) * (c.north_m - a.north_m)
            - (c.east_m - a.east_m) * (b.north_m - a.north_m))
    }
}
