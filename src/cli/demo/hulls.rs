//! The hulls of the invented marina: a line each. Every name is made up.

use super::hulls::Story::{
    Blistered, Broken, CoatingFailing, Cored, NotLookedAt, Sound, Treated, UnderWay, Unknown, Watched,
};
use crate::features::vessels::model::Bilge::{self, Damp, Dry, Wet};
use crate::features::vessels::model::LaminateClass::{
    self, Epoxy, Isophthalic, Orthophthalic, Vinylester, VinylesterSkin,
};
use crate::features::vessels::model::VesselForm::{self, FinKeel, FullBodied, LongKeel, Motor, Multihull};

/// How a stripped laminate comes along.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Course {
    /// Dry and steady: the next step waits for a signature.
    Ready,
    /// On its way.
    Drying,
    /// No drier for weeks, above the target.
    Stalled,
}

/// What sets a hull apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Story {
    /// Looked at every other year, nothing found.
    Sound,
    /// Blistered, stripped, dried and rebuilt so many years ago.
    Treated {
        /// Years since the relaunch.
        years_ago: i32,
    },
    /// Found blistered at the last survey, not treated.
    Blistered,
    /// Found blistered at the lift, stripped, and drying ashore now.
    UnderWay(Course),
    /// An open break in the skin.
    Broken,
    /// Its barrier is coming off.
    CoatingFailing,
    /// A sandwich bottom.
    Cored,
    /// A crack that somebody means to look at again.
    Watched,
    /// Nobody has surveyed it for years.
    NotLookedAt,
    /// Nothing known but name, form and length.
    Unknown,
}

/// One hull before its history is told.
#[derive(Debug, Clone, Copy)]
pub(super) struct HullPlan {
    pub name: &'static str,
    pub form: VesselForm,
    pub length_m: f64,
    pub age_years: i32,
    pub laminate_class: Option<LaminateClass>,
    pub bilge: Option<Bilge>,
    /// Stands ashore from late autumn to spring.
    pub winters_ashore: bool,
    /// Barrier coats: years ago, dry film in micrometres.
    pub barrier: Option<(i32, f64)>,
    pub story: Story,
    /// Has measured stations.
    pub stations: bool,
}

#[allow(clippy::too_many_arguments, reason = "a table reads better than sixty structs")]
const fn hull(
    name: &'static str,
    form: VesselForm,
    length_m: f64,
    age_years: i32,
    laminate_class: Option<LaminateClass>,
    bilge: Option<Bilge>,
    winters_ashore: bool,
    barrier: Option<(i32, f64)>,
    story: Story,
    stations: bool,
) -> HullPlan {
    HullPlan {
        name,
        form,
        length_m,
        age_years,
        laminate_class,
        bilge,
        winters_ashore,
        barrier,
        story,
        stations,
    }
}

/// Name, form, length (m), age (years), laminate, bilge, winters ashore, barrier (years ago, µm), story, stations.
#[rustfmt::skip]
pub(super) const HULLS: &[HullPlan] = &[
    hull("Copper Wren", LongKeel, 6.9, 30, Some(Orthophthalic), None, true, None, Blistered, true),
    hull("Slow Otter", LongKeel, 7.3, 20, None, Some(Dry), false, None, Sound, false),
    hull("Quiet Teapot", Motor, 11.8, 30, Some(Orthophthalic), Some(Damp), true, None, Treated { years_ago: 6 }, false),
    hull("Amber Lantern", Motor, 8.8, 18, Some(VinylesterSkin), Some(Damp), true, None, Sound, true),
    hull("Pewter Curlew", FinKeel, 11.2, 7, None, Some(Dry), false, None, Sound, false),
    hull("Bramble Kettle", FinKeel, 12.7, 3, Some(Isophthalic), Some(Damp), true, None, Sound, false),
    hull("Saffron Plover", FullBodied, 9.7, 30, Some(Orthophthalic), Some(Dry), false, Some((16, 250.0)), CoatingFailing, true),
    hull("Thistle Thimble", FinKeel, 12.1, 5, Some(VinylesterSkin), Some(Dry), false, None, Sound, false),
    hull("Cobalt Heron", Motor, 11.9, 37, Some(Orthophthalic), Some(Dry), false, Some((8, 250.0)), Sound, false),
    hull("Marl Biscuit", FinKeel, 12.1, 18, Some(VinylesterSkin), None, true, Some((1, 280.0)), Sound, true),
    hull("Juniper Dipper", FinKeel, 13.3, 4, Some(VinylesterSkin), None, false, None, Cored, false),
    hull("Russet Anvil", FinKeel, 7.9, 11, None, Some(Dry), false, None, Sound, false),
    hull("Velvet Siskin", FinKeel, 11.5, 33, Some(Orthophthalic), Some(Dry), true, Some((1, 220.0)), Sound, true),
    hull("Nimble Button", Multihull, 10.7, 2, None, Some(Dry), true, None, Sound, false),
    hull("Hazel Avocet", FinKeel, 12.5, 37, Some(Orthophthalic), Some(Dry), true, None, Treated { years_ago: 11 }, false),
    hull("Chalk Marble", FinKeel, 13.2, 41, Some(Orthophthalic), Some(Dry), false, Some((13, 220.0)), Sound, true),
    hull("Sorrel Linnet", Multihull, 12.4, 10, Some(Vinylester), Some(Dry), false, None, Sound, false),
    hull("Umber Ladle", LongKeel, 6.6, 33, Some(Orthophthalic), Some(Dry), true, Some((13, 250.0)), Sound, false),
    hull("Flint Dunlin", FinKeel, 12.0, 5, Some(Isophthalic), Some(Damp), false, Some((1, 220.0)), Sound, true),
    hull("Pebble Pippin", LongKeel, 8.4, 16, Some(Isophthalic), Some(Damp), true, None, Sound, false),
    hull("Clover Whimbrel", FinKeel, 9.3, 6, Some(VinylesterSkin), Some(Dry), false, Some((2, 250.0)), Sound, false),
    hull("Dapple Spindle", Motor, 7.2, 37, Some(Orthophthalic), Some(Dry), true, Some((16, 280.0)), Sound, true),
    hull("Rowan Godwit", FinKeel, 12.9, 41, Some(Orthophthalic), Some(Dry), true, None, Treated { years_ago: 3 }, false),
    hull("Birch Trivet", LongKeel, 7.4, 4, Some(VinylesterSkin), Some(Dry), true, None, Sound, false),
    hull("Tallow Fulmar", FullBodied, 10.1, 24, Some(Orthophthalic), Some(Dry), false, None, Treated { years_ago: 1 }, true),
    hull("Cinder Bobbin", Motor, 7.7, 27, Some(Isophthalic), Some(Dry), false, None, Broken, false),
    hull("Linden Knot", FinKeel, 7.9, 5, None, Some(Dry), false, Some((2, 320.0)), Sound, false),
    hull("Basalt Saucer", FinKeel, 7.7, 41, None, None, false, Some((8, 220.0)), Sound, true),
    hull("Fennel Gannet", FinKeel, 11.8, 8, Some(VinylesterSkin), Some(Dry), true, Some((1, 220.0)), Sound, false),
    hull("Ochre Bellows", Motor, 10.6, 18, Some(Isophthalic), Some(Damp), true, Some((1, 250.0)), Sound, false),
    hull("Bracken Petrel", FinKeel, 12.6, 13, None, None, false, None, Sound, true),
    hull("Teasel Acorn", FinKeel, 11.6, 4, Some(Isophthalic), Some(Dry), true, None, Sound, false),
    hull("Larch Martin", Motor, 7.4, 24, Some(Isophthalic), Some(Damp), true, Some((13, 220.0)), Sound, false),
    hull("Mallow Skillet", FinKeel, 12.1, 14, None, Some(Dry), true, Some((4, 250.0)), Sound, true),
    hull("Ember Pipit", FinKeel, 12.8, 18, None, None, true, Some((13, 250.0)), Sound, false),
    hull("Slate Cobble", FinKeel, 7.6, 20, Some(Isophthalic), Some(Wet), false, None, Sound, false),
    hull("Aspen Ruff", FinKeel, 8.5, 30, Some(Orthophthalic), Some(Dry), true, None, Watched, true),
    hull("Moss Hatbox", Motor, 7.8, 16, None, None, false, Some((8, 320.0)), Sound, false),
    hull("Sable Merlin", FinKeel, 12.7, 13, Some(VinylesterSkin), Some(Dry), false, Some((2, 320.0)), Sound, false),
    hull("Plum Crumpet", FinKeel, 7.4, 11, Some(Epoxy), Some(Dry), true, Some((5, 280.0)), Sound, true),
    hull("Barley Lapwing", FinKeel, 7.2, 33, Some(Orthophthalic), None, false, None, Blistered, false),
    hull("Quince Paddle", LongKeel, 7.9, 18, Some(Isophthalic), Some(Damp), true, Some((7, 280.0)), Sound, false),
    hull("Medlar Sanderling", FinKeel, 11.4, 41, Some(Orthophthalic), Some(Dry), false, Some((1, 250.0)), Sound, true),
    hull("Yarrow Mitten", LongKeel, 7.2, 24, None, None, false, None, Unknown, false),
    hull("Damson Swift", Multihull, 9.2, 3, Some(Vinylester), None, false, None, Sound, false),
    hull("Tansy Bodkin", Motor, 12.5, 20, Some(Isophthalic), Some(Dry), false, Some((13, 320.0)), Sound, true),
    hull("Sedge Teal", Motor, 9.8, 37, None, Some(Damp), true, Some((5, 280.0)), Sound, false),
    hull("Hemlock Pantry", Motor, 13.4, 37, Some(Orthophthalic), Some(Damp), false, Some((16, 250.0)), Sound, false),
    hull("Vetch Widgeon", Motor, 9.3, 8, None, Some(Dry), false, None, Sound, true),
    hull("Rush Trinket", Motor, 6.8, 9, Some(Epoxy), Some(Dry), false, None, Unknown, false),
    hull("Gorse Grebe", FullBodied, 9.2, 9, Some(Isophthalic), Some(Damp), false, Some((7, 220.0)), Sound, false),
    hull("Heather Cushion", Motor, 6.5, 12, Some(VinylesterSkin), None, true, Some((7, 220.0)), Sound, true),
    hull("Lichen Scoter", FinKeel, 10.5, 10, Some(Epoxy), Some(Dry), false, None, Sound, false),
    hull("Bistre Pestle", FinKeel, 9.6, 9, Some(Vinylester), Some(Dry), false, None, Sound, false),
    hull("Sepia Smew", Motor, 8.6, 6, None, Some(Damp), true, None, Sound, true),
    hull("Oaken Tern", FinKeel, 9.8, 29, Some(Orthophthalic), Some(Damp), false, None, UnderWay(Course::Ready), true),
    hull("Nettle Mug", LongKeel, 8.1, 34, Some(Orthophthalic), Some(Wet), false, None, UnderWay(Course::Drying), true),
    hull("Alder Crake", Motor, 9.2, 31, Some(Orthophthalic), Some(Damp), false, None, UnderWay(Course::Stalled), true),
    hull("Loam Barrel", LongKeel, 6.9, 22, None, Some(Dry), false, None, NotLookedAt, false),
];
