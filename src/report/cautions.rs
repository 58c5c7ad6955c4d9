//! The usual cautions, in one place: for the document, and for whoever guides a person at a panel.

/// What is said about work at a meter panel.
pub const PANEL: [&str; 7] = [
    "Only those licensed to do so open the panel. Isolate, lock off and prove dead before CTs are fitted or moved. 0 W on a \
     screen is not dead, and a backup output stays live with the grid off.",
    "Seals of the network operator stay closed.",
    "Never open the secondary of a 1 A or 5 A CT under load: a licensed person shorts it first.",
    "Use an isolated adapter and run the laptop on its battery. The adapter may be a third terminator on the line.",
    "Even polling can blind an inverter that steers by the same line or the same gateway.",
    "Dropping loads at full sun is a disturbance: the operator's consent, an abort threshold, a hand at the isolator.",
    "A wrong sign is corrected at the clamp or in the setting, never both; then test again.",
];

/// What stands above everything the tool says.
pub const RULES: &str = "Local codes and the network operator's rules stand above anything printed here.";
