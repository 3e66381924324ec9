//! Colours of fibres and tubes.

/// The twelve colours in their order. Source: TIA-598-D (from memory).
const COLORS: [&str; 12] = [
    "blue", "orange", "green", "brown", "slate", "white", "red", "black", "yellow", "violet",
    "rose", "aqua",
];

/// Colour of a fibre counted from 1 through tubes of twelve.
pub fn fiber_color(fiber: u32) -> &'static str {
    COLORS[(fiber.max(1) - 1) as usize % 12]
}

/// Colour of its tube; beyond 144 fibres the colours begin anew, with stripes.
pub fn tube_color(fiber: u32) -> &'static str {
    COLORS[(fiber.max(1) - 1) as usize / 12 % 12]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fibres_and_tubes_have_their_standard_colours() {
        // TIA-598-D, from memory
        for (fiber, color, tube) in [
            (1, "blue", "blue"),
            (3, "green", "blue"),
            (12, "aqua", "blue"),
            (13, "blue", "orange"),
            (144, "aqua", "aqua"),
        ] {
            assert_eq!((fiber_color(fiber), tube_color(fiber)), (color, tube));
        }
    }
}
