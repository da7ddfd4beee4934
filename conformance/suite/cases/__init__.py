"""The conformance cases, one file a chapter. How a case is written: see `conformance.suite.case`."""
