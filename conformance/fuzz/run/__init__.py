"""One run of the fuzzer: steps done, judged, made short, kept and told."""
