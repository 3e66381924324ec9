//! C3 to C6: index, stranding, slack.

use strandline::diagnose::{on_route, sheath_m};
use strandline::plan::{Plan, RoutePoint};
use strandline::units::{GroupIndex, Measured};

use super::near;

#[test]
fn another_index_makes_another_length() {
    let index = |n| GroupIndex::new(n).expect("an index");
    let rescaled = |m: f64, from: f64, to: f64| index(to).metres(index(from).seconds(m));
    // C3: definition: a smaller index makes it longer
    near(rescaled(20_000.0, 1.4682, 1.4677), 20_006.813, 0.001, "C3");
    // C4: open outside-plant course, review of its test lessons: 0.0005 wrong
    near(40_000.0 - rescaled(40_000.0, 1.4677, 1.4682), 13.6, 0.05, "C4: 40 km");
    near(100_000.0 - rescaled(100_000.0, 1.4677, 1.4682), 34.0, 0.5, "C4: 100 km");
    near(25_000.0 - rescaled(25_000.0, 1.4675, 1.4680), 8.5, 0.05, "C4: 25 km");
}

#[test]
fn sheath_is_shorter_than_the_glass_in_it() {
    // C5: geometry of stranding: divide by 1.02; multiplying by 0.98 gives 9800.00, 3.9 m off
    let mut plan = Plan::of_presets(&[]);
    plan.cable.fiber_per_sheath = 1.02;
    let sheath = sheath_m(&plan, None, Measured::new(10_000.0, 1.0));
    near(sheath.value, 9803.92, 0.01, "C5");
    // C6: documentation of a utility mapping system, "Fiber length options": 3000 drawn + 2 loops of 75 are 3150
    // of cable, so cable metre 3150 lies 3000 along the route
    let point = |name: &str, sheath_m: f64, slack_m: f64| RoutePoint {
        name: name.into(),
        sheath_m,
        slack_m,
        latitude: None,
        longitude: None,
    };
    plan.route = vec![point("slip", 0.0, 150.0), point("kiln", 4000.0, 0.0)];
    let along = on_route(&plan, Measured::new(3150.0, 0.0)).expect("on the route");
    near(along.past_m.expect("behind the loops").value, 3000.0, 1e-9, "C6");
}
