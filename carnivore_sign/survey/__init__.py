"""Survey: what was walked, how much of it, and what was found there per effort.

Takes transects, GPS fixes, clearing events, sign and trails. Gives segments, visits with their
effort, detections, and detection rates with limits. Does not identify sign, link trails or
estimate presence.
"""
