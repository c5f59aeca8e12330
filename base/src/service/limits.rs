//! How often something may be done: a bucket that fills again, one for each who asks.

use std::collections::HashMap;
use std::hash::Hash;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

/// So many who ask are told apart; the others share one bucket. This bounds the memory.
const TOLD_APART: usize = 4096;

/// Buckets that hold `burst` and get one more every `each_ms`. Kept as the time at which a bucket is full again.
pub struct Limit<K> {
    burst: i64,
    each_ms: i64,
    full_at_ms: Mutex<HashMap<Option<K>, i64>>,
}

impl<K: Copy + Eq + Hash> Limit<K> {
    pub fn new(burst: i64, each_ms: i64) -> Self {
        Self { burst, each_ms, full_at_ms: Mutex::default() }
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
        let mut buckets = self.full_at_ms.lock().unwrap_or_else(PoisonError::into_inner);
        if buckets.len() >= TOLD_APART {
            buckets.retain(|_, full_at_ms| *full_at_ms > now_ms);
        }
        let who = Some(who).filter(|who| buckets.len() < TOLD_APART || buckets.contains_key(&Some(*who)));
        let full_at_ms = buckets.get(&who).copied().unwrap_or(now_ms).max(now_ms);
        let wait_ms = full_at_ms + self.each_ms - now_ms - self.burst * self.each_ms;
        if wait_ms > 0 {
            return Err(wait_ms.unsigned_abs().div_ceil(1_000));
        }
        if taken > 0 {
            buckets.insert(who, full_at_ms + taken * self.each_ms);
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
        let limit = Limit::new(3, 1_000);
        assert_eq!([0; 4].map(|now| limit.take("a", now)), [Ok(()), Ok(()), Ok(()), Err(1)]);
        assert_eq!(limit.take("b", 0), Ok(()));
        assert_eq!((limit.look("a", 999), limit.look("a", 1_000), limit.take("a", 1_000)), (Err(1), Ok(()), Ok(())));
        assert_eq!(limit.take("a", 1_000), Err(1));
        assert_eq!([9_000; 4].map(|now| limit.take("a", now)), [Ok(()), Ok(()), Ok(()), Err(1)]);
    }

    #[test]
    fn ever_new_askers_share_one_bucket_and_fill_no_memory() {
        let limit = Limit::new(1, 1_000);
        let refused = (0..10_000).filter(|who| limit.take(*who, 0).is_err()).count();
        assert_eq!(refused, 10_000 - TOLD_APART - 1);
        assert!(limit.full_at_ms.lock().unwrap().len() <= TOLD_APART + 1);
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
