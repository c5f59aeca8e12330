//! How often something may be done: a bucket that fills again, one for each who asks.

use std::collections::HashMap;
use std::hash::Hash;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

/// So many who ask are told apart; the others share one bucket. This bounds the memory.
const TOLD_APART: usize = 4096;

/// Buckets that hold `burst` and get one more every `each_us` (a millionth of a second). Kept as the time at which a bucket is full again.
pub struct Limit<K> {
    burst: i64,
    each_us: i64,
    full_at_us: Mutex<HashMap<Option<K>, i64>>,
}

impl<K: Copy + Eq + Hash> Limit<K> {
    pub fn new(burst: i64, each_us: i64) -> Self {
        Self { burst, each_us, full_at_us: Mutex::default() }
    }

    /// Takes one out of a bucket; how many seconds to wait where it is empty.
    pub fn take(&self, who: K, now_ms: i64) -> Result<(), u64> {
        self.at(who, now_ms, 1)
    }

    /// Whether there is one to take.
    pub fn look(&self, who: K, now_ms: i64) -> Result<(), u64> {
        self.at(who, now_ms, 0)
    }

    fn at(&self, who: K, now_ms: i64, taken: i64) -> Result<(), u64> {
        let now_us = now_ms * 1_000;
        let mut buckets = self.full_at_us.lock().unwrap_or_else(PoisonError::into_inner);
        if buckets.len() >= TOLD_APART {
            buckets.retain(|_, full_at_us| *full_at_us > now_us);
        }
        let who = Some(who).filter(|who| buckets.len() < TOLD_APART || buckets.contains_key(&Some(*who)));
        let full_at_us = buckets.get(&who).copied().unwrap_or(now_us).max(now_us);
        let wait_us = full_at_us + self.each_us - now_us - self.burst * self.each_us;
        if wait_us > 0 {
            return Err(wait_us.unsigned_abs().div_ceil(1_000_000));
        }
        if taken > 0 {
            buckets.insert(who, full_at_us + taken * self.each_us);
        }
        Ok(())
    }
}

/// Who asks, by address; of IPv6 the network, since a whole one is given to each house.
pub fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6((six.to_bits() >> 64 << 64).into()),
        four => four,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bucket_gives_its_burst_then_one_a_time() {
        let limit = Limit::new(3, 1_000_000);
        assert_eq!([0; 4].map(|now| limit.take("a", now)), [Ok(()), Ok(()), Ok(()), Err(1)]);
        assert_eq!(limit.take("b", 0), Ok(()));
        assert_eq!((limit.look("a", 999), limit.look("a", 1_000), limit.take("a", 1_000)), (Err(1), Ok(()), Ok(())));
        assert_eq!(limit.take("a", 1_000), Err(1));
        assert_eq!([9_000; 4].map(|now| limit.take("a", now)), [Ok(()), Ok(()), Ok(()), Err(1)]);
    }

    #[test]
    fn thousands_a_second_are_let_through_though_requests_come_out_of_turn() {
        let limit = Limit::new(20_000, 500);
        assert!((0..19_990).all(|i| limit.take("a", 1_000 - i % 3).is_ok()));
        assert!((0..10).all(|_| limit.take("a", 1_000).is_ok()));
        assert_eq!(limit.take("a", 1_000), Err(1));
        assert_eq!([1_001; 3].map(|now| limit.take("a", now)), [Ok(()), Ok(()), Err(1)]);
    }

    #[test]
    fn ever_new_askers_share_one_bucket_and_fill_no_memory() {
        let limit = Limit::new(1, 1_000_000);
        let refused = (0..10_000).filter(|who| limit.take(*who, 0).is_err()).count();
        assert_eq!(refused, 10_000 - TOLD_APART - 1);
        assert!(limit.full_at_us.lock().unwrap().len() <= TOLD_APART + 1);
        assert_eq!(limit.take(10_001, 2_000), Ok(()));
    }

    #[test]
    fn a_house_counts_once() {
        let of = |text: &str| network(text.parse().unwrap());
        assert_eq!(of("2001:db8:1:2::3"), of("2001:db8:1:2:ffff::9"));
        assert_ne!(of("2001:db8:1:2::3"), of("2001:db8:1:3::3"));
        assert_eq!(of("::ffff:192.0.2.7"), of("192.0.2.7"));
    }
}
