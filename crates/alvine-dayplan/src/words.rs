//! What the steps say, in plain words: short sentences, no term that a patient would have to look up.

use crate::protocol::Sites;

/// What no plan decides; every form of it says so.
pub const CLINICIAN_DECIDES: &str = "This plan does not decide about medicines, diabetes, trouble with swallowing, \
implants such as a pacemaker, pregnancy, or known narrow places in the bowel. These are for your clinician. If one of them \
applies to you, speak to the unit before the day, and do what they say, also where it differs from this plan.";

/// When to call, beside every plan for the patient.
pub(crate) const CALL: &str = "Call the unit, or your emergency service, if you have pain in the belly or chest, vomit, \
have a fever, or find it hard to swallow. Have no magnetic resonance scan (MRI) until the unit has said that the capsule \
has left your body.";

/// What a step says.
pub(crate) struct Words {
    pub title: &'static str,
    pub words: &'static str,
}

pub(crate) const LAST_SOLIDS: Words = Words {
    title: "Last solid food",
    words: "Finish your last solid meal by now. From now on drink only clear liquids: water, clear broth, tea or coffee \
            without milk, clear juice. Nothing red or purple.",
};

pub(crate) const FAST: Words = Words {
    title: "Stop eating and drinking",
    words: "From now on eat nothing and drink nothing, not even water, until you are told.",
};

pub(crate) const LAST_MEDICINES: Words = Words {
    title: "Last time for medicines",
    words: "If your clinician told you to take medicines before the examination, take them no later than now, with a sip \
            of water. Which ones, only your clinician decides.",
};

pub(crate) const ARRIVE: Words = Words {
    title: "Be at the unit",
    words: "The antennas and the recorder are put on. Wear loose clothes in two parts.",
};

pub(crate) const CAPSULE_ON: Words = Words {
    title: "Switch the capsule on and check",
    words: "Hold the capsule near each antenna in turn, some ten seconds each, and run the check before the swallow. \
            The battery runs from now.",
};

pub(crate) const SWALLOW: Words = Words {
    title: "Swallow the capsule",
    words: "You swallow the capsule with a glass of water.",
};

pub(crate) const LOOK: Words = Words {
    title: "Look at the recorder",
    words: "Look whether its light still shows that it records. If it does not, call the unit.",
};

pub(crate) const CLEAR_LIQUIDS: Words = Words {
    title: "Drink again",
    words: "You may drink clear liquids again.",
};

pub(crate) const SNACK: Words = Words {
    title: "A light snack",
    words: "You may eat a light snack, such as a slice of bread or a little soup.",
};

pub(crate) const END: Words = Words {
    title: "Latest end of the recording",
    words: "The capsule's battery is empty by now. You may take the recorder and the antennas off, eat, and sleep. The \
            unit may tell you earlier that it is done.",
};

pub(crate) const RETURN: Words = Words {
    title: "Bring the equipment back",
    words: "Bring the recorder and the antennas back at the time that was agreed. Do not clean them yourself.",
};

pub(crate) const CLEAN: Words = Words {
    title: "Clean the equipment",
    words: "Clean recorder and antennas as their instructions say. At this time no earlier; later if they come back later.",
};

pub(crate) const DRY: Words = Words {
    title: "Let the equipment dry",
    words: "After cleaning, let it dry. It is ready for use no earlier than the end of this step.",
};

/// What holds from the swallow to the end.
pub(crate) fn conduct(sites: Sites) -> Vec<&'static str> {
    let held = match sites {
        Sites::Adhesive => {
            "Do not bend over and do nothing that makes you sweat: the antennas are stuck to your skin, and both loosen them."
        }
        Sites::Belt => "Keep the belt where it was put, and do not loosen or turn it. Avoid sport and heavy work.",
    };
    vec![
        "Do not sleep until the recording has ended, by day or by night.",
        held,
        "Keep the recorder dry: no shower and no bath.",
        "Stay away from strong radio sources and from rooms with an MRI scanner.",
    ]
}
