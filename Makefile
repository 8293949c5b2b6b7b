# The two commands of the README, and what they are made of.

.PHONY: demo test setup build bench bench-listen soak rooms torture
SESSIONS ?= $(CURDIR)/target/demo

# Everything from nothing: sets up, builds, and runs a whole session with stand-in people. They have flite's voices, which
# need no download but which the second ear, made for people, often does not understand: one ear listens here.
demo: build
	target/release/antiphon rehearse procedures/isolation-donning.toml --seed 7 --answer apron=yes \
	  --script docs/demo-slips.toml --ears phones --sessions $(SESSIONS) --debrief
	@echo "Look at it together: open the page named last (debrief: ...) in a browser, choose a step and hear it."
	@echo "Hear it live: add --aloud. Run it with people: target/release/antiphon run procedures/isolation-donning.toml"

setup:
	models/setup.sh

build: setup
	cargo build --release --locked

test:
	models/setup.sh --test --with-korean
	cargo fmt --check
	cargo clippy --all-targets --locked -- -D warnings
	RUSTDOCFLAGS="-D warnings" cargo doc --no-deps --locked --quiet
	cargo test --locked --no-fail-fast

# Ten minutes of two microphones: nothing may be dropped.
soak: build
	models/setup.sh --test
	cargo test --release --locked --test live_limits -- --ignored --nocapture

# Half an hour of kills, power cuts, failing calls, tampering and nonsense; power cuts need root.
torture: setup
	models/setup.sh --test
	ANTIPHON_TORTURE=20 cargo test --locked --test torture -- --nocapture

# Live rooms in which both microphones hear the loudspeaker, from faintly to as loud as the people; and a practice alone.
rooms: setup
	models/setup.sh --test
	cargo test --locked --test live_room -- --include-ignored --nocapture leaks_ as_loud
	cargo test --locked --test live_practice -- --ignored --nocapture

# How well it hears: writes docs/listening.md.
bench-listen: build
	models/setup.sh --test --bench
	cargo bench --locked --bench listen

bench: build
	models/setup.sh --test
	cargo bench --locked --bench listening --bench report
