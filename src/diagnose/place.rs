//! From metres of fibre to a place in the field.
//!
//! A distance on a trace is good to what index and time base are good to; what lies between fibre and
//! ground adds to that: fibre is longer than its sheath, and loops of sheath are kept in pits.

use super::{Link, Part};
use crate::plan::Plan;
use crate::units::{Measured, TIME_BASE_ERROR};

/// Where something is.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// Fibre metres from end a's connector, sigma with index and time base.
    pub from_a_m: Measured,
    /// Fibre metres from end b's connector. `None` where the length is not known.
    pub from_b_m: Option<Measured>,
    /// Metres of sheath from end a.
    pub sheath_m: Measured,
    /// `None`: the plan has no route, or the place lies before its first point.
    pub route: Option<OnRoute>,
}

/// A place between two points of the route.
#[derive(Clone, Debug, PartialEq)]
pub struct OnRoute {
    /// The point before it, from end a.
    pub after: String,
    /// The point behind it; `None` beyond the last one.
    pub before: Option<String>,
    /// Metres of route past the first point; `None`: it lies within the loops kept there.
    pub past_m: Option<Measured>,
    /// Degrees north and east, where both points have them.
    pub latitude_longitude: Option<(f64, f64)>,
}

/// One sigma of a cable's group index, as a share: makers state it to 0.001 or so. Common practice,
/// no source.
const INDEX_SHARE: f64 = 5e-4;
/// One sigma of an instrument's zero in metres, where nothing but its panel marks the link's start.
/// Common practice, no source.
const ZERO_M: f64 = 0.5;
/// One sigma of the ratio of fibre to sheath, where the plan states one. Common practice, no source.
const RATIO_SHARE: f64 = 1e-3;
/// The same where it does not: cables have 0 to 2 % more fibre than sheath. Common practice, no source.
const NO_RATIO_SHARE: f64 = 6e-3;
/// One sigma of the length of a loop, as a share of it. Common practice, no source.
const SLACK_SHARE: f64 = 0.1;
/// One sigma of a sheath mark that somebody read: they stand at every metre.
const MARK_M: f64 = 0.3;

/// Where a part is.
pub(super) fn place_of(link: &Link, part: &Part) -> Place {
    let middle = 0.5 * (part.from_m + part.to_m);
    let half = 0.5 * (part.to_m - part.from_m);
    let zero_m = if link.plan.measure.launch_m.is_some() { 0.0 } else { ZERO_M };
    let shared = |m: Measured| {
        m.widened(INDEX_SHARE * m.value).widened(TIME_BASE_ERROR * m.value).widened(zero_m)
    };
    let from_a = part.seen_m[0].map(shared);
    let from_b = part.seen_m[1].map(shared);
    let turned = |m: Measured| link.length_m.map(|l| shared(Measured::new(l - m.value, m.sigma)));
    // A stretch is anywhere along it: a rectangle of its length.
    let anywhere = Measured::new(middle, (half / 3.0_f64.sqrt()).max(1.0));
    let from_a_m = from_a.or_else(|| turned(from_b?)).unwrap_or_else(|| shared(anywhere));
    let from_b_m = from_b.or_else(|| turned(part.seen_m[0].unwrap_or(anywhere)));
    place(link.plan, link.length_m, from_a_m, from_b_m)
}

/// Sheath and route of a distance.
pub fn place(
    plan: &Plan,
    length_m: Option<f64>,
    from_a_m: Measured,
    from_b_m: Option<Measured>,
) -> Place {
    let sheath_m = sheath_m(plan, length_m, from_a_m);
    Place { from_a_m, from_b_m, sheath_m, route: on_route(plan, sheath_m) }
}

/// Metres of sheath from end a for metres of fibre.
///
/// Counted from the nearest place where both are known: end a, route points that are named like a
/// joint, and the one that is named like end b. Index and ratio err from there on only.
pub fn sheath_m(plan: &Plan, length_m: Option<f64>, fiber_m: Measured) -> Measured {
    let ratio = plan.cable.fiber_per_sheath;
    let share = if ratio == 1.0 { NO_RATIO_SHARE } else { RATIO_SHARE };
    let mut known = vec![(0.0, 0.0)];
    for point in &plan.route {
        let same = |name: &str| point.name.eq_ignore_ascii_case(name);
        let joint = plan.joints.iter().find(|j| same(&j.name)).map(|j| j.at_m);
        let end = length_m.filter(|_| same("end b") || same(&plan.cable.ends[1]));
        known.extend(joint.or(end).map(|fiber| (fiber, point.sheath_m)));
    }
    let off = |k: &(f64, f64)| (fiber_m.value - k.0).abs();
    let (fiber, sheath) =
        known.into_iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or((0.0, 0.0));
    let beyond = fiber_m.value - fiber;
    // What the index does to the whole distance it does to the known place as well.
    let whole = fiber_m.value * (INDEX_SHARE.hypot(TIME_BASE_ERROR));
    let own = (fiber_m.sigma.powi(2) - whole.powi(2)).max(0.0).sqrt();
    let fiber_sigma = own.hypot(beyond * INDEX_SHARE.hypot(TIME_BASE_ERROR));
    let mark = if fiber == 0.0 { 0.0 } else { MARK_M };
    Measured::new(
        sheath + beyond / ratio,
        (fiber_sigma / ratio).hypot(share * beyond / ratio).hypot(mark),
    )
}

/// Between which points of the route metres of sheath from end a lie. A point's mark is read where the
/// cable comes in from end a; its loops follow it. `None` without a route, or before its first point.
pub fn on_route(plan: &Plan, sheath_m: Measured) -> Option<OnRoute> {
    let i = plan.route.iter().rposition(|p| p.sheath_m <= sheath_m.value)?;
    let (point, next) = (&plan.route[i], plan.route.get(i + 1));
    let past = sheath_m.value - point.sheath_m - point.slack_m;
    let sigma = sheath_m.sigma.hypot(MARK_M).hypot(SLACK_SHARE * point.slack_m);
    let route_m = next.map(|n| n.sheath_m - point.sheath_m - point.slack_m);
    let share = route_m.filter(|m| *m > 0.0).map(|m| (past / m).clamp(0.0, 1.0));
    let on_map = |share: f64| {
        let (lat, long) = (point.latitude?, point.longitude?);
        let (lat_next, long_next) = (next?.latitude?, next?.longitude?);
        let east = (long_next - long + 540.0).rem_euclid(360.0) - 180.0; // the short way round
        Some((lat + share * (lat_next - lat), long + share * east))
    };
    let here = point.latitude.zip(point.longitude);
    let in_loops = past < 0.0;
    Some(OnRoute {
        after: point.name.clone(),
        before: next.map(|n| n.name.clone()),
        past_m: (!in_loops).then(|| Measured::new(past, sigma)),
        latitude_longitude: if in_loops { here } else { share.and_then(on_map) },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn plan(route: &str) -> Plan {
        let text = format!(
            r#"
schema = "strandline.plan/1"
[cable]
id = "X"
fibers = "1"
ends = ["SHED", "TOWER"]
length_m = 8000.0
fiber_per_sheath = 1.01
[measure]
wavelengths_nm = [1550]
[[joint]]
name = "C1"
at_m = 5050.0
kind = "splice"
{route}
"#
        );
        crate::plan::read(&text).expect("a plan")
    }

    const PITS: &str = r#"
[[route]]
name = "pit 7"
sheath_m = 3000.0
slack_m = 20.0
latitude = 50.0
longitude = -3.0
[[route]]
name = "pit 8"
sheath_m = 3220.0
latitude = 50.002
longitude = -3.0
"#;

    #[test]
    fn fibre_metres_become_sheath_metres_and_a_place_past_a_pit() {
        let plan = plan(PITS);
        // by hand: 3091.61 m of fibre / 1.01 = 3061.0 m of sheath; the loops of pit 7 end at 3020
        let fiber = Measured::new(3091.61, 0.5_f64.hypot(3091.61 * 5e-4).hypot(3091.61 * 2.5e-5));
        let place = place(&plan, None, fiber, None);
        assert_abs_diff_eq!(place.sheath_m.value, 3061.0, epsilon = 1e-6);
        // √(0.5² + (3091.61·5e-4)² + (3091.61·2.5e-5)²) = 1.627 m of fibre, 1.611 of sheath; with
        // 0.1 % of 3061 m: 3.459 m
        assert_abs_diff_eq!(place.sheath_m.sigma, 3.459, epsilon = 2e-3);
        let route = place.route.expect("on the route");
        assert_eq!((route.after.as_str(), route.before.as_deref()), ("pit 7", Some("pit 8")));
        let past = route.past_m.expect("past the loops");
        assert_abs_diff_eq!(past.value, 41.0, epsilon = 1e-6);
        // with a mark read to 0.3 m and loops of 20 m known to 10 %: √(3.459² + 0.3² + 2²)
        assert_abs_diff_eq!(past.sigma, 4.007, epsilon = 2e-3);
        // 41 of 200 m of route: 0.205 of the way north
        let (latitude, longitude) = route.latitude_longitude.expect("both pits are on the map");
        assert_abs_diff_eq!(latitude, 50.000_41, epsilon = 1e-8);
        assert_abs_diff_eq!(longitude, -3.0, epsilon = 1e-9);
    }

    #[test]
    fn a_place_in_the_loops_is_at_the_pit() {
        let route = on_route(&plan(PITS), Measured::new(3012.0, 1.0)).expect("on the route");
        assert_eq!((route.after.as_str(), route.past_m), ("pit 7", None));
        assert_eq!(route.latitude_longitude, Some((50.0, -3.0)));
        assert_eq!(on_route(&plan(PITS), Measured::new(2999.0, 1.0)), None);
        let last = on_route(&plan(PITS), Measured::new(3300.0, 1.0)).expect("behind the last");
        assert_eq!((last.before, last.latitude_longitude), (None, None));
    }

    #[test]
    fn a_route_point_named_like_a_joint_is_where_counting_begins_anew() {
        let plan = plan("[[route]]\nname = \"c1\"\nsheath_m = 5012.0\n");
        // by hand: C1 is at 5050 m of fibre and 5012 of sheath; 101 m of fibre on are 100 of sheath
        let sheath = sheath_m(&plan, None, Measured::new(5151.0, 5151.0 * 5e-4));
        assert_abs_diff_eq!(sheath.value, 5112.0, epsilon = 1e-9);
        assert!(sheath.sigma < 0.5, "index and ratio err over 101 m alone: {}", sheath.sigma);
    }
}
