"""The readings feed: what is stored of what is sent, and how each stored reading stands.

Invariants: whether a stored reading is accepted or held is a function of the set of readings (and of
people's decisions), not of their order of arrival; the same reading again changes nothing. An ordinary
newest reading that can follow the last accepted one extends the chain and costs one row (``recording``);
anything else judges its vehicle afresh (``judging``).
"""
