//! Colours of fibres and tubes.

/// The twelve colours in their order. Source: TIA-598-C, as Wikipedia has it ("TIA-598-C").
const TWELVE: [&str; 12] = [
    "blue", "orange", "green", "brown", "slate", "white", "red", "black", "yellow", "violet",
    "rose", "aqua",
];

/// What other standards call some of them (IEC 60304 and 60794, DIN VDE 0888; from memory), and glass
/// without a colour.
const OTHERS: [&str; 5] = ["grey", "pink", "turquoise", "purple", "natural"];

/// Fibres of a tube where the plan says nothing.
const FIBERS_PER_TUBE: u32 = 12;

/// The colours of a cable: how its fibres and tubes are told apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Colors {
    /// Of the fibres of a tube, in their order.
    pub fibers: Vec<&'static str>,
    /// Of the tubes, in their order.
    pub tubes: Vec<&'static str>,
    /// How many fibres a tube holds.
    pub fibers_per_tube: u32,
}

impl Default for Colors {
    fn default() -> Colors {
        let twelve = TWELVE.to_vec();
        Colors { fibers: twelve.clone(), tubes: twelve, fibers_per_tube: FIBERS_PER_TUBE }
    }
}

impl Colors {
    /// The tube of a fibre, both counted from 1.
    fn tube_number(&self, fiber: u32) -> u32 {
        (fiber.max(1) - 1) / self.fibers_per_tube.max(1) + 1
    }

    /// Colour of a fibre counted from 1.
    pub fn fiber(&self, fiber: u32) -> String {
        striped(&self.fibers, (fiber.max(1) - 1) % self.fibers_per_tube.max(1))
    }

    /// What a fibre is called in its tray: its colour, behind its tube's where the colour alone names
    /// none of the cable's `fibers`.
    pub fn name(&self, fiber: u32, fibers: &[u32]) -> String {
        let color = self.fiber(fiber);
        if self.need_tubes(fibers) { format!("{} {color}", self.tube(fiber)) } else { color }
    }

    /// Whether one of these fibres lies beyond the first tube: then a colour alone names none of them.
    pub fn need_tubes(&self, fibers: &[u32]) -> bool {
        fibers.iter().any(|fiber| self.tube_number(*fiber) > 1)
    }

    /// Colour of its tube.
    pub fn tube(&self, fiber: u32) -> String {
        striped(&self.tubes, self.tube_number(fiber) - 1)
    }
}

/// The `n`th colour from 0. Beyond the last the order begins anew with a black stripe more each time,
/// a yellow one on black. Source: TIA-598-C, as Wikipedia has it.
fn striped(colors: &[&str], n: u32) -> String {
    let count = colors.len().max(1);
    let color = colors.get(n as usize % count).copied().unwrap_or_default();
    match n as usize / count {
        0 => color.to_owned(),
        1 => format!("striped {color}"),
        stripes => format!("{stripes}-striped {color}"),
    }
}

/// The colours that a plan names. `Err`: what is wrong with them.
pub(super) fn named(key: &str, names: &[String]) -> Result<Vec<&'static str>, String> {
    let known = || TWELVE.iter().chain(&OTHERS);
    let mut found: Vec<&'static str> = Vec::new();
    for name in names {
        let color =
            known().find(|color| color.eq_ignore_ascii_case(name.trim())).ok_or_else(|| {
                let all: Vec<&str> = known().copied().collect();
                format!("{key} has {name:?}, expected colours of: {}", all.join(", "))
            })?;
        if found.contains(color) {
            return Err(format!("{key} has {color} twice"));
        }
        found.push(color);
    }
    if found.is_empty() {
        return Err(format!("{key} is empty, expected colours such as [\"red\", \"green\"]"));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fibres_and_tubes_have_their_standard_colours() {
        // I1, I3: fibre, colour, tube; TIA-598-C; fibre 86 from an open course, review "T11 final verify",
        // the rest by division
        for (fiber, color, tube) in [
            (1, "blue", "blue"),
            (2, "orange", "blue"),
            (3, "green", "blue"),
            (4, "brown", "blue"),
            (5, "slate", "blue"),
            (6, "white", "blue"),
            (7, "red", "blue"),
            (8, "black", "blue"),
            (9, "yellow", "blue"),
            (10, "violet", "blue"),
            (11, "rose", "blue"),
            (12, "aqua", "blue"),
            (13, "blue", "orange"),
            (27, "green", "green"),
            (86, "orange", "black"),
            (144, "aqua", "aqua"),
            // I2: the order repeats with one black stripe more for every further twelve
            (145, "blue", "striped blue"),
            (288, "aqua", "striped aqua"),
            (289, "blue", "2-striped blue"),
        ] {
            let colors = Colors::default();
            assert_eq!((colors.fiber(fiber).as_str(), colors.tube(fiber).as_str()), (color, tube));
        }
    }

    #[test]
    fn a_tube_is_named_where_a_cable_has_more_than_the_first() {
        let colors = Colors::default();
        for (fiber, fibers, name) in [
            (2, &[1, 2, 12][..], "orange"), // I3: twelve to a tube
            (2, &[1, 2, 13], "blue orange"),
            (14, &[14], "orange orange"),
        ] {
            assert_eq!(colors.name(fiber, fibers), name);
        }
    }

    #[test]
    fn a_tube_of_more_than_its_colours_has_stripes_within() {
        // I2, of fibres: tubes of 24
        let colors = Colors { fibers_per_tube: 24, ..Colors::default() };
        for (fiber, color, tube) in
            [(12, "aqua", "blue"), (13, "striped blue", "blue"), (25, "blue", "orange")]
        {
            assert_eq!((colors.fiber(fiber).as_str(), colors.tube(fiber).as_str()), (color, tube));
        }
    }

    #[test]
    fn other_orders_and_other_names_are_taken() {
        // I4: Brazil, from data sheets of cables; Germany, DIN VDE 0888, from memory. I5: IEC 60304 and 60794 say
        // grey, pink, turquoise, from memory
        let brazil =
            "green yellow white blue red violet brown pink black grey orange aqua".split(' ');
        let germany =
            "Red green blue yellow white grey brown violet turquoise black orange pink".split(' ');
        let read = |names: &mut dyn Iterator<Item = &str>| {
            named("fiber_colors", &names.map(str::to_owned).collect::<Vec<_>>())
        };
        for (own, eighth) in
            [(&mut brazil.into_iter(), "pink"), (&mut germany.into_iter(), "violet")]
        {
            let fibers = read(own).expect("colours");
            let colors = Colors { fibers, ..Colors::default() };
            assert_eq!((colors.fiber(8).as_str(), colors.tube(8).as_str()), (eighth, "blue"));
        }
        let error = read(&mut ["red", "mauve"].into_iter()).expect_err("no colour of cables");
        assert!(error.contains("\"mauve\"") && error.contains("turquoise"), "{error}");
        assert!(read(&mut ["red", "red"].into_iter()).is_err());
        assert!(read(&mut std::iter::empty()).is_err());
    }
}
