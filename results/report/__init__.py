"""Papers about an attempt: what stands on them (content), set by typst, sealed by a P-256 signature.

Optional: needs the extra ``reports``. Everything here is imported only when a paper is made or read.
"""
