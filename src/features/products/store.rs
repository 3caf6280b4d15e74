//! Rows of products.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::model::{CoatRole, ProductFields};
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::products;
use crate::error::{Code, Error, Result};
use crate::ids::ProductId;

/// A product as stored.
#[derive(Debug, Clone)]
pub struct Product {
    /// Its id.
    pub id: ProductId,
    /// Its fields.
    pub fields: ProductFields,
    /// Its version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// Which products.
#[derive(Debug, Clone, Copy, Default)]
pub struct ProductFilter {
    /// Of this role.
    pub role: Option<CoatRole>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = products)]
struct ProductRow {
    id: ProductId,
    ref_: Option<String>,
    name: String,
    role: String,
    solventless: bool,
    amine_blush: bool,
    volume_solids_pct: Option<f64>,
    min_dry_film_um: Option<f64>,
    max_dry_film_um: Option<f64>,
    min_surface_temperature_c: Option<f64>,
    max_surface_temperature_c: Option<f64>,
    min_margin_k: Option<f64>,
    max_relative_humidity_pct: Option<f64>,
    mix_base_parts: Option<f64>,
    mix_hardener_parts: Option<f64>,
    pack_l: Option<f64>,
    pot_life: Value,
    overcoating: Value,
    cure: Value,
    max_days_to_launch: Option<i32>,
    permeability_kg_m_s: Option<f64>,
    wear_um_per_month_15c: Option<f64>,
    season_limit_months: Option<i32>,
    max_days_dry: Option<i32>,
    note: Option<String>,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

fn lines<T: DeserializeOwned>(table: Value) -> Result<Vec<T>> {
    serde_json::from_value(table).map_err(Error::internal)
}

fn table<T: Serialize>(lines: &[T]) -> Result<Value> {
    serde_json::to_value(lines).map_err(Error::internal)
}

impl ProductRow {
    fn product(self) -> Result<Product> {
        let fields = ProductFields {
            r#ref: self.ref_,
            name: self.name,
            role: codes::from_text(&self.role)?,
            solventless: self.solventless,
            amine_blush: self.amine_blush,
            volume_solids_pct: self.volume_solids_pct,
            min_dry_film_um: self.min_dry_film_um,
            max_dry_film_um: self.max_dry_film_um,
            min_surface_temperature_c: self.min_surface_temperature_c,
            max_surface_temperature_c: self.max_surface_temperature_c,
            min_margin_k: self.min_margin_k,
            max_relative_humidity_pct: self.max_relative_humidity_pct,
            mix_base_parts: self.mix_base_parts,
            mix_hardener_parts: self.mix_hardener_parts,
            pack_l: self.pack_l,
            pot_life: lines(self.pot_life)?,
            overcoating: lines(self.overcoating)?,
            cure: lines(self.cure)?,
            max_days_to_launch: self.max_days_to_launch,
            permeability_kg_m_s: self.permeability_kg_m_s,
            wear_um_per_month_15c: self.wear_um_per_month_15c,
            season_limit_months: self.season_limit_months,
            max_days_dry: self.max_days_dry,
            note: self.note,
        };
        Ok(Product {
            id: self.id,
            fields,
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
        })
    }
}

/// The columns of the changeable fields with their values.
macro_rules! values {
    ($fields:ident) => {
        (
            products::ref_.eq(&$fields.r#ref),
            products::name.eq(&$fields.name),
            products::role.eq(codes::to_text(&$fields.role)?),
            products::solventless.eq($fields.solventless),
            products::amine_blush.eq($fields.amine_blush),
            products::volume_solids_pct.eq($fields.volume_solids_pct),
            products::min_dry_film_um.eq($fields.min_dry_film_um),
            products::max_dry_film_um.eq($fields.max_dry_film_um),
            products::min_surface_temperature_c.eq($fields.min_surface_temperature_c),
            products::max_surface_temperature_c.eq($fields.max_surface_temperature_c),
            products::min_margin_k.eq($fields.min_margin_k),
            products::max_relative_humidity_pct.eq($fields.max_relative_humidity_pct),
            products::mix_base_parts.eq($fields.mix_base_parts),
            products::mix_hardener_parts.eq($fields.mix_hardener_parts),
            products::pack_l.eq($fields.pack_l),
            products::pot_life.eq(table(&$fields.pot_life)?),
            products::overcoating.eq(table(&$fields.overcoating)?),
            products::cure.eq(table(&$fields.cure)?),
            products::max_days_to_launch.eq($fields.max_days_to_launch),
            products::permeability_kg_m_s.eq($fields.permeability_kg_m_s),
            products::wear_um_per_month_15c.eq($fields.wear_um_per_month_15c),
            products::season_limit_months.eq($fields.season_limit_months),
            products::max_days_dry.eq($fields.max_days_dry),
            products::note.eq(&$fields.note),
        )
    };
}

/// Makes a product.
///
/// # Errors
/// A reference that is taken; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: ProductId, fields: &ProductFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(products::table)
        .values((
            products::org_id.eq(org_id),
            products::id.eq(id),
            values!(fields),
            products::created_at.eq(now),
            products::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a product from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update(tx: &mut Tx<'_>, id: ProductId, fields: &ProductFields, version: i32) -> Result<()> {
    let now = tx.now();
    let changed =
        diesel::update(products::table.find((tx.org_id(), id)).filter(products::version.eq(version)))
            .set((values!(fields), products::version.eq(version + 1), products::updated_at.eq(now)))
            .execute(tx.conn())?;
    if changed == 0 {
        return Err(Error::new(
            Code::Stale,
            "The product changed since you read it. Read it again and repeat your change.",
        ));
    }
    Ok(())
}

/// One product.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: ProductId) -> Result<Product> {
    let row = products::table
        .find((tx.org_id(), id))
        .select(ProductRow::as_select())
        .first(tx.conn())
        .optional()?;
    row.ok_or_else(|| Error::not_found("product"))?.product()
}

/// A product that a record names.
///
/// # Errors
/// Invalid at `/product_id`, when it is not a product of the organisation.
pub fn named(tx: &mut Tx<'_>, id: ProductId) -> Result<Product> {
    of_ids(tx, &[id])?.pop().ok_or_else(|| {
        Error::field(
            "/product_id",
            "unknown",
            "is not a product of your organisation. Enter the product's sheet or correct the id.",
        )
    })
}

/// Several products by id, those that exist.
///
/// # Errors
/// Those of the database.
pub fn of_ids(tx: &mut Tx<'_>, ids: &[ProductId]) -> Result<Vec<Product>> {
    let rows: Vec<ProductRow> = products::table
        .filter(products::org_id.eq(tx.org_id()).and(products::id.eq_any(ids)))
        .select(ProductRow::as_select())
        .load(tx.conn())?;
    rows.into_iter().map(ProductRow::product).collect()
}

/// Products by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: ProductFilter, page: PageRequest) -> Result<Slice<Product>> {
    let mut query = products::table.filter(products::org_id.eq(tx.org_id())).into_boxed();
    if let Some(role) = filter.role {
        query = query.filter(products::role.eq(codes::to_text(&role)?));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(products::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = ProductId::from(id);
        query = query
            .filter(products::updated_at.gt(time).or(products::updated_at.eq(time).and(products::id.gt(id))));
    }
    let rows: Vec<ProductRow> = query
        .order((products::updated_at, products::id))
        .limit(page.fetch())
        .select(ProductRow::as_select())
        .load(tx.conn())?;
    let found = rows.into_iter().map(ProductRow::product).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |product| Position::at(product.updated_at, product.id)))
}
