-- Aggregates over rows of `due` (due.sql), to be put into a SELECT: how many are overdue and in what
-- sense, how many stand paused, and how far targets have slipped.
count(*) FILTER (overdue) AS overdue,
count(*) FILTER (overdue_first) AS overdue_first,
count(*) FILTER (overdue_present) AS overdue_present,
count(*) FILTER (paused) AS paused,
count(*) FILTER (days_slipped > 0) AS slipped,
median(days_slipped) FILTER (days_slipped > 0) AS median_days_slipped,
count(*) FILTER (proof_overdue) AS proof_overdue,
count(*) FILTER (window_passed) AS window_passed
