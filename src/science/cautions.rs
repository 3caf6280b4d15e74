//! The cautions that go with advice, by the kind of work it leads to. Common practice, no source.

/// Goes with every answer.
pub const ADVISES_ONLY: &str = "This service advises; it decides nothing. Local codes apply, and a qualified surveyor or coating \
     inspector decides.";

/// A kind of work that can hurt someone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Work {
    /// Lifting a hull and standing it ashore.
    Lifting,
    /// Washing a hull down.
    WashDown,
    /// Grinding, peeling, blasting or sanding gelcoat, laminate or coats.
    Grinding,
    /// Mixing and applying epoxy and the solvents that go with it.
    EpoxyCoating,
    /// Putting on or taking off antifouling.
    Antifouling,
    /// Working in a bilge, a tank or under a tented hull.
    ConfinedSpace,
    /// Warming a tented hull, to dry it or to let a coat cure.
    TentHeating,
}

impl Work {
    /// What to mind.
    #[must_use]
    pub const fn caution(self) -> &'static str {
        match self {
            Self::Lifting => {
                "Lifting and stands: slings only at the marked positions, stands chained and on firm ground, nobody \
                 under a hull in the slings; the lift operator decides."
            }
            Self::WashDown => {
                "Wash-down water carries biocide and paint: collect and treat it as local codes say; keep clear of \
                 the jet."
            }
            Self::Grinding => {
                "Grinding dust of glass, resin and old paint harms lungs, eyes and skin: extract it, wear breathing \
                 and eye protection, keep it out of the water."
            }
            Self::EpoxyCoating => {
                "Epoxy resins and hardeners sensitise for life, and solvent vapour is harmful and can ignite: no \
                 skin contact, air the work place, keep sparks away, read the safety data sheets."
            }
            Self::Antifouling => {
                "Antifouling holds biocides: no dry sanding, protect skin and lungs, keep dust and residue out of \
                 the water; which products may be used is a matter of local law."
            }
            Self::ConfinedSpace => {
                "Confined spaces gather vapour and lack oxygen: test the air, ventilate, never work alone."
            }
            Self::TentHeating => {
                "Heaters in tents set sheeting and solvent vapour alight, and open flames give off carbon monoxide and \
                 water: no flame under the sheeting, keep heaters clear of it, watch them, put them out before solvents \
                 are used."
            }
        }
    }
}

/// The cautions for some kinds of work, each once, [`ADVISES_ONLY`] first.
#[must_use]
pub fn cautions(works: impl IntoIterator<Item = Work>) -> Vec<&'static str> {
    let mut cautions = vec![ADVISES_ONLY];
    for work in works {
        if !cautions.contains(&work.caution()) {
            cautions.push(work.caution());
        }
    }
    cautions
}
