//! A plan as the text of a plan file.

use std::fmt::Display;

use toml::Value;

use super::{Colors, Directions, LinkLimit, PerWavelength, Plan};

/// The text of `plan.toml`; reading it gives the same plan back.
///
/// Limits that come from a preset stand there as figures beside its name: the file then says what
/// was judged by, whatever becomes of the preset.
pub fn write(plan: &Plan) -> String {
    let mut text = Text(format!("schema = {}\n", quoted("strandline.plan/1")));
    let job = &plan.job;
    text.table("[job]");
    for (key, value) in [
        ("name", &job.name),
        ("site", &job.site),
        ("operator", &job.operator),
        ("notes", &job.notes),
    ] {
        text.words(key, value);
    }
    cable(&mut text, plan);
    measure(&mut text, plan);
    for joint in &plan.joints {
        text.table("[[joint]]");
        text.key("name", quoted(&joint.name));
        text.key("at_m", number(joint.at_m));
        text.key("kind", quoted(joint.kind.word()));
        text.optional("ways", joint.ways);
    }
    for point in &plan.route {
        text.table("[[route]]");
        text.key("name", quoted(&point.name));
        text.key("sheath_m", number(point.sheath_m));
        text.key("slack_m", number(point.slack_m));
        text.optional("latitude", point.latitude.map(number));
        text.optional("longitude", point.longitude.map(number));
    }
    for waiver in &plan.waivers {
        text.table("[[waiver]]");
        text.key("fiber", waiver.fiber);
        text.key("where", quoted(&waiver.place));
        text.key("reason", quoted(&waiver.reason));
        text.words("by", &waiver.by);
    }
    limits(&mut text, plan);
    text.0
}

fn cable(text: &mut Text, plan: &Plan) {
    let cable = &plan.cable;
    text.table("[cable]");
    text.key("id", quoted(&cable.id));
    text.key("fibers", quoted(&ranges(&cable.fibers)));
    text.words("fiber_type", &cable.fiber_type);
    text.key("ends", format!("[{}]", cable.ends.each_ref().map(|end| quoted(end)).join(", ")));
    text.optional("length_m", cable.length_m.map(number));
    text.key("fiber_per_sheath", number(cable.fiber_per_sheath));
    let (own, usual) = (&cable.colors, Colors::default());
    let list = |colors: &[&str]| {
        format!("[{}]", colors.iter().map(|color| quoted(color)).collect::<Vec<_>>().join(", "))
    };
    let other = |own: &Vec<&str>, usual: &Vec<&str>| (own != usual).then(|| list(own));
    text.optional("fiber_colors", other(&own.fibers, &usual.fibers));
    text.optional("tube_colors", other(&own.tubes, &usual.tubes));
    let count = own.fibers_per_tube;
    text.optional("fibers_per_tube", (count != usual.fibers_per_tube).then_some(count));
}

fn measure(text: &mut Text, plan: &Plan) {
    let measure = &plan.measure;
    let nm: Vec<String> = measure.wavelengths_nm.iter().map(u16::to_string).collect();
    text.table("[measure]");
    text.key("wavelengths_nm", format!("[{}]", nm.join(", ")));
    text.each("group_index", &measure.group_index);
    text.optional("pulse_ns", measure.pulse_ns.map(number));
    text.optional("min_averaging_s", measure.min_averaging_s.map(number));
    let directions = match measure.directions {
        Directions::Both => "both",
        Directions::AToB => "a-to-b",
        Directions::BToA => "b-to-a",
    };
    text.key("directions", quoted(directions));
    text.optional("launch_m", measure.launch_m.map(number));
    text.optional("tail_m", measure.tail_m.map(number));
    text.optional("file_name", measure.file_name.as_deref().map(quoted));
}

fn limits(text: &mut Text, plan: &Plan) {
    let limits = &plan.limits;
    text.table("[limits]");
    let presets: Vec<String> = limits.presets.iter().map(|preset| quoted(preset.name)).collect();
    match presets.as_slice() {
        [] => {}
        [one] => text.key("preset", one),
        several => text.key("preset", format!("[{}]", several.join(", "))),
    }
    for (key, value) in [
        ("splice_db", limits.splice_db),
        ("splice_mean_db", limits.splice_mean_db),
        ("connector_db", limits.connector_db),
        ("splitter_db", limits.splitter_db),
        ("reflectance_db", limits.reflectance_db),
        ("max_length_m", limits.max_length_m),
        ("orl_db", limits.orl_db),
    ] {
        text.optional(key, value.map(number));
    }
    text.each("attenuation_db_per_km", &limits.attenuation_db_per_km);
    match &limits.link_loss_db {
        None => {}
        Some(LinkLimit::FromParts) => text.key("link_loss_db", quoted("from parts")),
        Some(LinkLimit::PerWavelength(table)) => text.each("link_loss_db", table),
    }
    text.each("min_link_loss_db", &limits.min_link_loss_db);
    text.key("confidence", number(limits.confidence));
    text.key("one_way_db", number(limits.one_way_db));
    text.key("linearity_db_per_db", number(limits.linearity_db_per_db));
    text.key("backscatter_sigma_db", number(limits.backscatter_sigma_db));
}

/// The text so far.
struct Text(String);

impl Text {
    fn table(&mut self, heading: &str) {
        self.0.push_str(&format!("\n{heading}\n"));
    }

    fn key(&mut self, key: &str, value: impl Display) {
        self.0.push_str(&format!("{key} = {value}\n"));
    }

    fn optional(&mut self, key: &str, value: Option<impl Display>) {
        if let Some(value) = value {
            self.key(key, value);
        }
    }

    /// Free text; left out where blank.
    fn words(&mut self, key: &str, value: &str) {
        if !value.is_empty() {
            self.key(key, quoted(value));
        }
    }

    /// A figure per wavelength; left out where there is none.
    fn each(&mut self, key: &str, table: &PerWavelength) {
        if !table.is_empty() {
            let rows: Vec<String> =
                table.iter().map(|(nm, value)| format!("{nm} = {}", number(*value))).collect();
            self.key(key, format!("{{ {} }}", rows.join(", ")));
        }
    }
}

/// Text as TOML quotes it.
fn quoted(text: &str) -> String {
    Value::from(text).to_string()
}

/// The shortest number that reads back the same.
fn number(value: f64) -> String {
    Value::Float(value).to_string()
}

/// Ascending numbers as numbers and ranges: `1-3, 7`.
pub fn ranges(numbers: &[u32]) -> String {
    let mut runs: Vec<(u32, u32)> = Vec::new();
    for number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == *number => *last = *number,
            _ => runs.push((*number, *number)),
        }
    }
    let words = |(first, last): &(u32, u32)| {
        if first == last { first.to_string() } else { format!("{first}-{last}") }
    };
    runs.iter().map(words).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::super::{
        Cable, Job, JointKind, Limits, Measure, PRESETS, PlannedJoint, RoutePoint, Waiver, read,
    };
    use super::*;
    use proptest::prelude::*;

    fn positive() -> impl Strategy<Value = f64> {
        1e-4..1e5_f64
    }

    fn per_wavelength(value: std::ops::Range<f64>) -> impl Strategy<Value = PerWavelength> {
        proptest::collection::btree_map(600_u16..=2000, value, 0..4)
    }

    fn cable() -> impl Strategy<Value = Cable> {
        let ends = (".{0,12}", ".{0,12}");
        // A plan whose ends have one name is refused.
        let ends =
            ends.prop_filter("two names", |(a, b)| a.is_empty() || !a.eq_ignore_ascii_case(b));
        let fibers = proptest::collection::btree_set(1_u32..300, 1..40);
        let colors = (0..12_usize, 0..12_usize, 1..=96_u32).prop_map(|(fiber, tube, count)| {
            let mut colors = Colors { fibers_per_tube: count, ..Colors::default() };
            colors.fibers.rotate_left(fiber);
            colors.tubes.truncate(12 - tube);
            colors
        });
        (".{0,12}", fibers, ".{0,8}", ends, 0.9..1.3_f64, colors).prop_map(
            |(id, fibers, fiber_type, ends, fiber_per_sheath, colors)| Cable {
                id,
                fibers: fibers.into_iter().collect(),
                fiber_type,
                ends: [ends.0, ends.1],
                length_m: Some(1e5),
                fiber_per_sheath,
                colors,
            },
        )
    }

    fn measure() -> impl Strategy<Value = Measure> {
        let directions =
            prop_oneof![Just(Directions::Both), Just(Directions::AToB), Just(Directions::BToA)];
        let options = proptest::collection::vec(proptest::option::of(positive()), 4);
        let wavelengths = proptest::collection::btree_set(600_u16..=2000, 1..4);
        let file_name =
            proptest::option::of("[a-z _-]{0,9}([{](cable|fiber|any)[}][a-z_]{0,5}){0,3}");
        (wavelengths, per_wavelength(1.4..1.5), options, directions, file_name).prop_map(
            |(wavelengths, group_index, options, directions, file_name)| Measure {
                wavelengths_nm: wavelengths.into_iter().collect(),
                group_index,
                pulse_ns: options[0],
                min_averaging_s: options[1],
                directions,
                launch_m: options[2],
                tail_m: options[3],
                file_name,
            },
        )
    }

    fn joints() -> impl Strategy<Value = Vec<PlannedJoint>> {
        proptest::collection::vec((1.0..50.0_f64, 0..3_u8, 2..128_u32), 0..6).prop_map(|drawn| {
            let joint = |(i, (share, kind, ways)): (usize, &(f64, u8, u32))| {
                let kind =
                    [JointKind::Splice, JointKind::Connector, JointKind::Splitter][*kind as usize];
                PlannedJoint {
                    name: format!("C{i} \"\\ é"),
                    at_m: 100.0 * i as f64 + share,
                    kind,
                    ways: (kind == JointKind::Splitter).then_some(*ways),
                }
            };
            drawn.iter().enumerate().map(joint).collect()
        })
    }

    fn limits() -> impl Strategy<Value = Limits> {
        let chosen = proptest::sample::subsequence((0..PRESETS.len()).collect::<Vec<_>>(), 0..3);
        let options = proptest::collection::vec(proptest::option::of(positive()), 5);
        let link = prop_oneof![
            Just(None),
            Just(Some(LinkLimit::FromParts)),
            per_wavelength(40.0..90.0).prop_map(|t| Some(LinkLimit::PerWavelength(t))),
        ];
        let figures = (0.51..0.999_f64, 1e-4..0.2_f64, 1e-4..0.2_f64, -70.0..-10.0_f64);
        (chosen, options, per_wavelength(0.1..4.0), link, figures).prop_map(
            |(chosen, options, attenuation, link, figures)| {
                // What a preset sets can be changed in a plan, but not unset.
                let mut limits =
                    Limits::of_presets(&chosen.iter().map(|i| &PRESETS[*i]).collect::<Vec<_>>());
                limits.splice_db = options[0].or(limits.splice_db);
                limits.splice_mean_db = options[1].or(limits.splice_mean_db);
                limits.connector_db = options[2].or(limits.connector_db);
                limits.splitter_db = options[3];
                limits.orl_db = options[4];
                limits.reflectance_db = Some(figures.3);
                limits.attenuation_db_per_km.extend(attenuation);
                limits.link_loss_db = match (link, limits.link_loss_db) {
                    (
                        Some(LinkLimit::PerWavelength(own)),
                        Some(LinkLimit::PerWavelength(mut base)),
                    ) => {
                        base.extend(own);
                        Some(LinkLimit::PerWavelength(base))
                    }
                    // An empty table says nothing.
                    (Some(LinkLimit::PerWavelength(own)), base) if own.is_empty() => base,
                    (own, base) => own.or(base),
                };
                (limits.confidence, limits.one_way_db, limits.linearity_db_per_db) =
                    (figures.0, figures.1, figures.2);
                limits
            },
        )
    }

    fn is_possible(limits: &Limits) -> bool {
        let Some(LinkLimit::PerWavelength(most)) = &limits.link_loss_db else { return true };
        limits
            .min_link_loss_db
            .iter()
            .all(|(nm, least)| most.get(nm).is_none_or(|most| least < most))
    }

    fn extras() -> impl Strategy<Value = (Job, Vec<RoutePoint>, Vec<Waiver>)> {
        let job = proptest::collection::vec("(.|\n){0,20}", 4);
        let route = proptest::collection::vec(
            (".{0,8}", 0.0..1e4_f64, 0.0..90.0_f64, proptest::option::of(-90.0..90.0_f64)),
            0..4,
        );
        let waivers = proptest::collection::vec((".{0,8}", "[a-z].{0,20}", ".{0,8}"), 0..3);
        (job, route, waivers).prop_map(|(job, mut route, waivers)| {
            route.sort_by(|a, b| a.1.total_cmp(&b.1));
            let point = |(name, sheath_m, slack_m, latitude): (String, f64, f64, Option<f64>)| {
                RoutePoint { name, sheath_m, slack_m, latitude, longitude: latitude.map(|l| -l) }
            };
            let [name, site, operator, notes] = job.try_into().expect("four texts");
            (
                Job { name, site, operator, notes },
                route.into_iter().map(point).collect(),
                waivers
                    .into_iter()
                    .map(|(place, reason, by)| Waiver { fiber: 0, place, reason, by })
                    .collect(),
            )
        })
    }

    proptest! {
        #[test]
        fn a_plan_written_out_is_read_back_the_same(
            cable in cable(), measure in measure(), joints in joints(), limits in limits(),
            extras in extras(),
        ) {
            let (job, route, mut waivers) = extras;
            for waiver in &mut waivers {
                waiver.fiber = cable.fibers[0];
            }
            let plan = Plan { job, cable, measure, joints, route, waivers, limits };
            prop_assume!(is_possible(&plan.limits)); // an access network's least loss, another's most
            let text = write(&plan);
            let back = read(&text).map_err(|e| TestCaseError::fail(format!("{e}\n{text}")))?;
            prop_assert_eq!(back, plan);
        }

        #[test]
        fn no_text_panics(text in "(.|\n){0,200}") {
            let _ = read(&text);
        }
    }
}
