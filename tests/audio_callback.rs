//! The sound system's own thread must never wait for memory: nothing in the callbacks allocates or frees.

use antiphon::audio::mic::{Block, Counters, Feeder};
use antiphon::audio::speaker::{Play, Player, Shared};
use antiphon::procedure::Post;
use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::Arc;
use std::time::Instant;

/// Counts what the current thread asks of the system's allocator.
struct Counting;

thread_local! {
    static CALLS: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    // A thread that ends has no counter left, and nobody to read it.
    let _ = CALLS.try_with(|calls| calls.set(calls.get() + 1));
}

// SAFETY: every call is passed on unchanged to the system's allocator; counting touches one thread-local integer.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        System.alloc(layout)
    }
    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count();
        System.dealloc(pointer, layout);
    }
    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        System.realloc(pointer, layout, size)
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn calls_during(work: impl FnOnce()) -> u64 {
    let before = CALLS.get();
    work();
    CALLS.get() - before
}

#[test]
fn the_counter_counts() {
    assert!(calls_during(|| drop(std::hint::black_box(vec![1_u8; 100]))) >= 2);
    assert_eq!(calls_during(|| ()), 0);
}

#[test]
fn the_microphone_callback_allocates_nothing_even_when_nobody_reads() {
    let (out, blocks) = crossbeam_channel::bounded::<Block>(16);
    let counters = Arc::new(Counters::default());
    let mut feeder = Feeder::new(Post::Worker, 48_000, 2, out, counters.clone());
    let stereo = vec![100_i16; 2 * 960];
    let crumbs = [100_i16; 6];
    let now = Instant::now();
    let calls = calls_during(|| {
        for _ in 0..1000 {
            feeder.feed(&stereo, now);
            feeder.feed(&crumbs, now);
        }
    });
    assert_eq!(calls, 0);
    assert_eq!(blocks.len(), 16);
    assert!(counters.dropped_blocks() > 1900, "{}", counters.dropped_blocks());
}

#[test]
fn the_microphone_callback_allocates_nothing_while_a_reader_sleeps() {
    let (out, blocks) = crossbeam_channel::bounded::<Block>(64);
    let reader = std::thread::spawn(move || blocks.iter().map(|block| u64::from(block.len)).sum::<u64>());
    let counters = Arc::new(Counters::default());
    let mut feeder = Feeder::new(Post::Worker, 16_000, 1, out, counters.clone());
    let mono = [0.1_f32; 320];
    let calls = calls_during(|| {
        for _ in 0..200 {
            feeder.feed(&mono, Instant::now());
            std::thread::sleep(std::time::Duration::from_micros(500));
        }
    });
    drop(feeder);
    assert_eq!(calls, 0);
    assert_eq!(reader.join().unwrap() + counters.dropped_frames(), 200 * 320);
}

#[test]
fn the_loudspeaker_callback_neither_allocates_nor_frees() {
    let (queue, plays) = crossbeam_channel::bounded(8);
    let (tell, events) = crossbeam_channel::bounded(32);
    let mut player = Player::new(48_000, 2, plays, tell, Arc::new(Shared::default()));
    for id in 0..5 {
        // The callback holds the only reference: were it to drop one, that would free the clip.
        queue.send(Play { id, hushes: 0, clip: vec![0.1; 3000].into() }).unwrap();
    }
    let mut out = vec![0_i16; 2 * 960];
    let calls = calls_during(|| {
        for _ in 0..30 {
            player.fill(&mut out, Instant::now());
        }
    });
    assert_eq!(calls, 0);
    assert_eq!(events.len(), 10, "five clips began and ended");
}
