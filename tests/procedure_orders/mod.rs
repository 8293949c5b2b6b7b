//! Which step comes before which, and the document that orders them so, for each shipped procedure.

/// Earlier step, later step, and the document that orders them so.
pub type Order = &'static [(&'static str, &'static str, &'static str)];

/// Each procedure of the library with its order.
pub const LIBRARY: &[(&str, Order)] = &[
    ("isolation-donning", DONNING),
    ("isolation-doffing", DOFFING),
    ("pre-entry-briefing", BRIEFING),
    ("blower-stopped", BLOWER),
    ("torn-glove", TORN),
    ("splash", SPLASH),
    ("cytotoxic-spill", SPILL),
];

const DONNING: Order = &[
    (
        "observer-present",
        "personal-needs",
        "CDC 2015: the observer is engaged first and reminds of personal needs",
    ),
    ("personal-needs", "scrubs-and-shoes", "CDC 2015: personal needs before any equipment"),
    ("scrubs-and-shoes", "inspect-clothing", "CDC 2015: change into scrubs before the donning begins"),
    ("nothing-personal", "inspect-clothing", "CDC 2015: personal items off before the donning begins"),
    ("inspect-clothing", "hand-rub", "CDC 2015: inspection before the first piece is put on"),
    ("test-respirator", "hand-rub", "CDC 2015: battery and airflow tested before donning"),
    ("read-through", "hand-rub", "CDC 2015: observer reviews the sequence before donning begins"),
    ("hand-rub", "boot-covers", "CDC 2015: hand hygiene before the first piece"),
    ("hand-rub", "inner-gloves", "WHO 2009 and CDC 2015: hand hygiene before gloves"),
    ("boot-covers", "inner-gloves", "CDC 2015: boot covers, then inner gloves"),
    ("inner-gloves", "gown", "CDC 2015: gown over the cuffs of the inner gloves"),
    ("gown", "gown-ties", "by nature"),
    ("gown", "respirator-belt", "CDC 2015: the unit is worn outside the gown"),
    ("gown", "outer-gloves", "CDC 2015: outer gloves over the sleeves"),
    ("inner-gloves", "outer-gloves", "CDC 2015 and WHO 2016: two pairs"),
    ("respirator-belt", "outer-gloves", "CDC 2015: belt, then outer gloves"),
    ("outer-gloves", "hood", "CDC 2015: outer gloves, then hood"),
    ("hood", "apron", "CDC 2015: apron over the hood"),
    ("apron", "hose", "CDC 2015: the hose is connected once the apron is on"),
    ("hood", "hose", "CDC 2015: the hose is connected to the hood"),
    ("hose", "blower", "CDC 2015: connect, then switch on"),
    ("blower", "skin-check", "CDC 2015: last look for skin and hair when the air is on"),
    ("skin-check", "final-check", "CDC 2015: the whole ensemble is verified last"),
];

const DOFFING: Order = &[
    ("called-in", "reminded", "CDC 2015: enter the removal area only when called, then the observer reminds"),
    ("reminded", "inspection", "CDC 2015: the observer speaks before anything is taken off"),
    (
        "inspection",
        "first-disinfection",
        "CDC 2015: inspect for soil and tears, then disinfect the outer gloves",
    ),
    ("first-disinfection", "apron-off", "CDC 2015: outer gloves disinfected before the apron"),
    ("apron-off", "after-apron", "CDC 2015: gloves disinfected after each removal"),
    ("after-apron", "outer-gloves-off", "CDC 2015: outer gloves disinfected before they come off"),
    ("outer-gloves-off", "after-outer-gloves", "CDC 2015: inner gloves inspected and disinfected"),
    ("after-outer-gloves", "hood-off", "CDC 2015: clean inner gloves before hood and respirator"),
    ("hood-off", "after-hood", "CDC 2015: gloves disinfected after each removal"),
    ("after-hood", "gown-off", "CDC 2015: hood and respirator, then the gown"),
    ("gown-off", "after-gown", "CDC 2015: gloves disinfected after each removal"),
    ("after-gown", "boot-covers-off", "common practice; CDC 2015 has the middle ones in several orders"),
    ("boot-covers-off", "after-boot-covers", "CDC 2015: gloves disinfected after each removal"),
    ("after-boot-covers", "shoes", "CDC 2015: washable shoes disinfected late"),
    ("shoes", "inner-gloves-off", "CDC 2015: shoes are treated in the inner gloves, which then come off"),
    ("inner-gloves-off", "hand-rub", "CDC 2015 and WHO 2009: hand hygiene after gloves"),
    ("hand-rub", "new-gloves", "CDC 2015: a new pair after hand hygiene"),
    ("new-gloves", "joint-inspection", "CDC 2015: both inspect the worker at the end"),
    ("joint-inspection", "last-gloves-off", "CDC 2015: gloves last"),
    ("last-gloves-off", "last-hand-rub", "CDC 2015 and WHO 2009: hand hygiene ends it"),
];

const BRIEFING: Order = &[
    ("roles", "task", "common practice, no source: who, then what"),
    ("task", "time-limit", "common practice, no source: the stay follows from the task"),
    ("roles", "signals", "CDC 2015: worker and observer agree before dressing"),
    ("signals", "ways-out", "common practice, no source"),
    ("health", "agreed", "CDC 2015: fitness is settled before dressing"),
    ("pieces", "agreed", "CDC 2015: equipment inspected before dressing"),
    ("battery", "airflow", "CDC 2015: battery charged, then the flow tested"),
    ("airflow", "agreed", "CDC 2015: the respirator is tested before dressing"),
];

const BLOWER: Order = &[
    ("told", "walked-out", "common practice, no source: the patient is handed over in passing"),
    ("walked-out", "left", "CDC 2015: leave the patient's area at once"),
    ("left", "breathing", "common practice, no source"),
    ("left", "gloves", "CDC 2015: outer gloves are disinfected in the removal area"),
    ("gloves", "hood", "CDC 2015: disinfected gloves before the hood is lifted"),
    ("hood", "gloves-again", "CDC 2015: gloves disinfected after each removal"),
    ("hood", "unit-kept", "common practice, no source: equipment that failed is kept for inspection"),
];

const TORN: Order = &[
    ("stepped-back", "disinfected", "common practice, no source"),
    ("disinfected", "outer-off", "CDC 2015: outer gloves disinfected before they come off"),
    ("outer-off", "inner-inspected", "CDC 2015: inner gloves inspected when the outer ones are off"),
    ("inner-inspected", "inner-disinfected", "CDC 2015: intact inner gloves are disinfected"),
    ("inner-disinfected", "inner-off", "CDC 2015: torn inner gloves disinfected, then off"),
    ("inner-off", "hand-rub", "CDC 2015 and WHO 2009: hand hygiene after gloves"),
    ("hand-rub", "inner-on", "WHO 2009: hand hygiene before gloves"),
    ("inner-on", "outer-on", "CDC 2015 and WHO 2016: two pairs"),
];

const SPLASH: Order = &[
    ("stopped", "led-out", "CDC 2015: stop and leave for the removal area"),
    ("led-out", "gloves", "CDC 2015: outer gloves are disinfected in the removal area"),
    ("gloves", "uncovered", "CDC 2015: disinfected gloves before anything comes off"),
    ("uncovered", "eyes-rinsed", "PHS 2001: mucous membranes flushed with water"),
    ("eyes-rinsed", "skin-washed", "common practice, no source: eyes before skin"),
    ("uncovered", "skin-washed", "PHS 2001: skin washed with soap and water"),
    ("skin-washed", "hands-washed", "WHO 2009: hand hygiene after exposure to body fluids"),
    ("skin-washed", "reported", "PHS 2001: treat first, then report at once"),
];

const SPILL: Order = &[
    ("closed-off", "kit", "NIOSH 2004: the place is closed off with a sign first"),
    ("nobody-hit", "kit", "common practice, no source: people before the floor"),
    ("kit", "respirator", "NIOSH 2004: what is worn comes out of the kit"),
    ("respirator", "gown-and-gloves", "common practice, no source"),
    ("gown-and-gloves", "covered", "NIOSH 2004: dressed before the spill is touched"),
    ("covered", "glass-away", "common practice, no source: contained before it is picked up"),
    ("glass-away", "pads-away", "NIOSH 2004: glass with a scoop, never by hand, into sharps waste"),
    ("pads-away", "washed-three-times", "NIOSH 2004: absorbed, then washed with detergent and rinsed"),
    ("washed-three-times", "outer-gloves-off", "NIOSH 2004: outer gloves off first"),
    ("outer-gloves-off", "gown-off", "NIOSH 2004: gown before inner gloves"),
    ("gown-off", "inner-gloves-off", "NIOSH 2004: inner gloves last, into the sealed bag"),
    ("inner-gloves-off", "hands-washed", "NIOSH 2004: hands washed with soap and water afterwards"),
    ("hands-washed", "reported", "NIOSH 2004: spills are documented"),
];
