//! Rates, held in memory: how often one caller, one address, or one address for one account may come.
//!
//! In memory and not in the database, so that a flood of refusals costs no writes; a service of several
//! processes allows each its share. Nothing here counts by account alone, so nobody can lock a person out: who
//! tries passwords is slowed where they sit, and the person signs in from elsewhere.

use std::hash::Hash;
use std::net::{IpAddr, Ipv6Addr};
use std::num::NonZeroU32;
use std::time::Duration;

use governor::clock::{Clock, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};

/// Above so many remembered callers the idle ones are forgotten.
const REMEMBERED: usize = 50_000;

/// One rate for each key.
pub struct Rate<K: Hash + Eq + Clone> {
    limiter: DefaultKeyedRateLimiter<K>,
    clock: DefaultClock,
}

impl<K: Hash + Eq + Clone> Rate<K> {
    /// `burst` at once, and one more each `period`. None where either is nothing.
    #[must_use]
    pub fn new(burst: u32, period: Duration) -> Option<Self> {
        let quota = Quota::with_period(period)?.allow_burst(NonZeroU32::new(burst)?);
        Some(Self { limiter: RateLimiter::keyed(quota), clock: DefaultClock::default() })
    }

    /// Counts one.
    ///
    /// # Errors
    /// Too many, with the seconds to wait.
    pub fn admit(&self, key: &K) -> Result<()> {
        if self.limiter.len() > REMEMBERED {
            self.limiter.retain_recent();
        }
        self.limiter.check_key(key).map_err(|early| {
            let wait = early.wait_time_from(self.clock.now());
            Error::too_many(wait.as_secs() + u64::from(wait.subsec_nanos() > 0))
        })
    }
}

/// How often passwords may be tried.
pub struct SignInThrottle {
    pairs: Option<Rate<([u8; 32], IpAddr)>>,
    addresses: Option<Rate<IpAddr>>,
}

impl SignInThrottle {
    /// Ten tries at one account from one address, then one each half minute; a hundred at all accounts, then one
    /// each two seconds.
    #[must_use]
    pub fn usual() -> Self {
        Self {
            pairs: Rate::new(10, Duration::from_secs(30)),
            addresses: Rate::new(100, Duration::from_secs(2)),
        }
    }

    /// Counts a try, before anything is looked up: known and unknown accounts are treated alike.
    ///
    /// # Errors
    /// Too many.
    pub fn admit(&self, account: &str, address: IpAddr) -> Result<()> {
        let address = network(address);
        if let Some(addresses) = &self.addresses {
            addresses.admit(&address)?;
        }
        let account = Sha256::digest(account.trim().to_lowercase().as_bytes()).into();
        self.pairs.as_ref().map_or(Ok(()), |pairs| pairs.admit(&(account, address)))
    }
}

/// Who holds one IPv6 address holds the 2^64 beside it (RFC 4291, 2.5.1): they count as one.
#[must_use]
pub fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        v4 @ IpAddr::V4(_) => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::{Rate, SignInThrottle, network};
    use crate::error::Code;
    use std::net::IpAddr;
    use std::time::Duration;

    fn ip(text: &str) -> IpAddr {
        text.parse().expect("an address")
    }

    #[test]
    fn after_the_burst_one_waits_and_others_do_not() {
        let rate = Rate::new(3, Duration::from_hours(1)).expect("a rate");
        for _ in 0..3 {
            rate.admit(&"a").expect("within the burst");
        }
        let refused = rate.admit(&"a").expect_err("beyond it");
        assert_eq!(refused.code, Code::TooMany);
        assert!(
            refused.retry_after_s.is_some_and(|s| (3000..=3600).contains(&s)),
            "{:?}",
            refused.retry_after_s
        );
        rate.admit(&"b").expect("another one");
    }

    #[test]
    fn tries_at_an_account_from_one_address_do_not_lock_it_elsewhere() {
        let throttle = SignInThrottle::usual();
        let tries =
            (0..50).take_while(|_| throttle.admit("lead@home.example", ip("192.0.2.1")).is_ok()).count();
        assert!((10..50).contains(&tries), "{tries}");
        throttle
            .admit(" Lead@home.example", ip("192.0.2.1"))
            .expect_err("the same account, written otherwise");
        throttle.admit("lead@home.example", ip("192.0.2.2")).expect("from elsewhere");
        throttle.admit("crew@home.example", ip("192.0.2.1")).expect("another account");
    }

    // RFC 4291, 2.5.1 and 2.5.5.2: 64 bits of interface; an IPv4 address mapped into IPv6.
    #[test]
    fn an_ipv6_network_counts_as_one() {
        assert_eq!(network(ip("2001:db8:1:2:3:4:5:6")), network(ip("2001:db8:1:2::1")));
        assert_ne!(network(ip("2001:db8:1:2::1")), network(ip("2001:db8:1:3::1")));
        assert_eq!(network(ip("::ffff:192.0.2.1")), ip("192.0.2.1"));
    }
}
