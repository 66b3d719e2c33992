"""Pictures, marked clips and pages that people read.

In: results and tables. Out: files. `answer` says in words what a set comes to; `output.publish`
writes a set's folder; `plots`, `overlay` and `pages` (templates, escaped) draw and set. Pages of a
set (`report`), of clips of one set (`pairreport`), of sets side by side (`beside`, `besidefilm`,
`besidereport`), of a block (`blockplots`, `blockreport`) and of a photo (`photo`).
"""

__all__ = [
    "answer",
    "beside",
    "besidefilm",
    "besidereport",
    "blockplots",
    "blockreport",
    "output",
    "overlay",
    "pages",
    "pairreport",
    "photo",
    "plots",
    "report",
]
