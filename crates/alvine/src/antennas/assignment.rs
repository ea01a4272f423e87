//! Assignments of columns to sites: the cheapest one, and sums over all of them.
//!
//! ```text
//! cheapest:  min over π of Σ_c C(c, π(c)),   π a permutation
//! sum:       Σ over π of Π_c exp(−C̃(c, π(c))) = perm(E),   E = exp(−C̃)
//! ```
//!
//! The Hungarian method gives the cheapest assignment with row and column potentials; the costs reduced by them, C̃, are none
//! below 0 and 0 on the cheapest one. The permanent of E therefore lies between 1 and n!, so that nothing overflows or vanishes
//! whatever the costs. It is summed over subsets of the sites, in n 2ⁿ steps.

use ndarray::Array2;

/// The largest number of columns whose assignments are all summed: 2¹⁶ subsets.
pub(super) const MOST_SUMMED: usize = 16;

/// The cheapest assignment, and costs reduced so that it costs nothing.
#[derive(Debug, Clone)]
pub(super) struct Cheapest {
    /// The site of each column.
    pub site_of: Vec<usize>,
    /// What it costs.
    pub cost: f64,
    /// Costs less the potentials, none below 0.
    pub reduced: Array2<f64>,
}

/// The Hungarian method in O(n³), by shortest augmenting paths; costs must be finite, and the table square.
pub(super) fn cheapest(costs: &Array2<f64>) -> Cheapest {
    let n = costs.nrows();
    // Index n stands for the column that is being placed; sites are matched to columns.
    let mut column_of = vec![usize::MAX; n + 1];
    let (mut of_column, mut of_site) = (vec![0.0; n], vec![0.0; n + 1]);
    for column in 0..n {
        column_of[n] = column;
        let mut site = n;
        let mut shortest = vec![f64::INFINITY; n];
        let mut came_from = vec![n; n];
        let mut done = vec![false; n + 1];
        loop {
            done[site] = true;
            let from = column_of[site];
            let mut step = f64::INFINITY;
            let mut next = site;
            for to in (0..n).filter(|&to| !done[to]) {
                let reduced = costs[(from, to)] - of_column[from] - of_site[to];
                if reduced < shortest[to] {
                    shortest[to] = reduced;
                    came_from[to] = site;
                }
                if shortest[to] < step {
                    step = shortest[to];
                    next = to;
                }
            }
            for to in 0..=n {
                if done[to] {
                    of_column[column_of[to]] += step;
                    of_site[to] -= step;
                } else {
                    shortest[to] -= step;
                }
            }
            site = next;
            if column_of[site] == usize::MAX {
                break;
            }
        }
        while site != n {
            let previous = came_from[site];
            column_of[site] = column_of[previous];
            site = previous;
        }
    }
    let mut site_of = vec![0; n];
    for (site, &column) in column_of.iter().take(n).enumerate() {
        site_of[column] = site;
    }
    let reduced = Array2::from_shape_fn((n, n), |(column, site)| {
        // What rounding leaves below nothing is nothing.
        (costs[(column, site)] - of_column[column] - of_site[site]).max(0.0)
    });
    Cheapest {
        cost: site_of
            .iter()
            .enumerate()
            .map(|(column, &site)| costs[(column, site)])
            .sum(),
        site_of,
        reduced,
    }
}

/// The sum over all assignments, and the share that each pair of column and site has of it.
#[derive(Debug, Clone)]
pub(super) struct AllAssignments {
    /// ln Σ_π exp(−Σ C̃).
    pub ln_sum: f64,
    /// The probability that a column belongs to a site.
    pub pair: Array2<f64>,
}

/// Sums over all assignments by reduced costs, of at most [`MOST_SUMMED`] columns.
pub(super) fn sum_over_all(reduced: &Array2<f64>) -> AllAssignments {
    let n = reduced.nrows();
    let weight = reduced.mapv(|cost| (-cost).exp());
    let full = (1_usize << n) - 1;
    // placed[S]: the first |S| columns take the sites of S; left[S]: the other columns take the sites outside S.
    let mut placed = vec![0.0; full + 1];
    placed[0] = 1.0;
    for taken in 1..=full {
        let column = taken.count_ones() as usize - 1;
        placed[taken] = sites(taken)
            .map(|site| placed[taken & !(1 << site)] * weight[(column, site)])
            .sum();
    }
    let mut left = vec![0.0; full + 1];
    left[full] = 1.0;
    for taken in (0..full).rev() {
        let column = taken.count_ones() as usize;
        left[taken] = sites(full & !taken)
            .map(|site| left[taken | 1 << site] * weight[(column, site)])
            .sum();
    }
    let mut pair = Array2::zeros((n, n));
    for taken in 0..full {
        let column = taken.count_ones() as usize;
        for site in sites(full & !taken) {
            pair[(column, site)] += placed[taken] * weight[(column, site)] * left[taken | 1 << site];
        }
    }
    pair.mapv_inplace(|share| share / placed[full]);
    AllAssignments {
        ln_sum: placed[full].ln(),
        pair,
    }
}

/// The members of a subset.
fn sites(subset: usize) -> impl Iterator<Item = usize> {
    let mut rest = subset;
    std::iter::from_fn(move || {
        (rest != 0).then(|| {
            let site = rest.trailing_zeros() as usize;
            rest &= rest - 1;
            site
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    /// All permutations of n, by brute force.
    fn permutations(n: usize) -> Vec<Vec<usize>> {
        if n == 0 {
            return vec![Vec::new()];
        }
        let shorter = permutations(n - 1);
        let longer = shorter.iter().flat_map(|rest| {
            (0..n).map(|at| {
                let mut longer = rest.clone();
                longer.insert(at, n - 1);
                longer
            })
        });
        longer.collect()
    }

    fn cost_of(costs: &Array2<f64>, site_of: &[usize]) -> f64 {
        site_of
            .iter()
            .enumerate()
            .map(|(column, &site)| costs[(column, site)])
            .sum()
    }

    fn tables() -> impl Strategy<Value = Array2<f64>> {
        (1_usize..=6).prop_flat_map(|n| {
            prop::collection::vec(-50.0..50.0, n * n)
                .prop_map(move |costs| Array2::from_shape_vec((n, n), costs).unwrap())
        })
    }

    proptest! {
        #[test]
        fn the_cheapest_assignment_and_the_sums_are_those_of_enumeration(costs in tables()) {
            let n = costs.nrows();
            let all = permutations(n);
            let least = all.iter().map(|site_of| cost_of(&costs, site_of)).fold(f64::INFINITY, f64::min);
            let cheapest = cheapest(&costs);
            prop_assert!((cheapest.cost - least).abs() < 1e-9);
            prop_assert!(cost_of(&cheapest.reduced, &cheapest.site_of) < 1e-9);
            let sums = sum_over_all(&cheapest.reduced);
            let weights: Vec<f64> = all.iter().map(|site_of| (-(cost_of(&costs, site_of) - least)).exp()).collect();
            let total: f64 = weights.iter().sum();
            prop_assert!((sums.ln_sum - total.ln()).abs() < 1e-9);
            for column in 0..n {
                for site in 0..n {
                    let with: f64 = all.iter().zip(&weights).filter(|(to, _)| to[column] == site).map(|(_, w)| w).sum();
                    prop_assert!((sums.pair[(column, site)] - with / total).abs() < 1e-9);
                }
            }
        }
    }

    #[test]
    fn costs_far_beyond_the_range_of_an_exponential_are_no_trouble() {
        let costs = Array2::from_shape_fn((8, 8), |(column, site)| if column == site { 1e5 } else { 1e7 });
        let cheapest = cheapest(&costs);
        assert_eq!(cheapest.site_of, (0..8).collect::<Vec<_>>());
        let sums = sum_over_all(&cheapest.reduced);
        assert_relative_eq!(sums.ln_sum, 0.0);
        assert_relative_eq!(sums.pair[(3, 3)], 1.0);
    }
}
