"""The names of a job's states on its way through the share, and which may follow which; imports nothing.

claimed     its file was renamed from the inbox into the working folder
proved      what will be handed on lies finished in the working folder, and the journal says where it will go
published   it stands in the outbox or in held/, whole, under its final name
closed      its upload lies in originals/, its record and its ledger line are written
dropped     the claim came to nothing: its file never left the inbox, or was put back
"""

CLAIMED = "claimed"
PROVED = "proved"
PUBLISHED = "published"
CLOSED = "closed"
DROPPED = "dropped"

MAY_FOLLOW = {
    CLAIMED: (PROVED, DROPPED),
    # Proved again under another name, when the first was taken; claimed again when the finished file was damaged.
    PROVED: (PROVED, PUBLISHED, CLAIMED),
    PUBLISHED: (CLOSED,),
    CLOSED: (),
    DROPPED: (),
}

REWRITTEN = "rewritten"
UNCHANGED = "unchanged"
HELD = "held"
OUTCOMES = (REWRITTEN, UNCHANGED, HELD)

# Where a finished job goes. NOWHERE: held without a copy, because a copy would be unsafe or immense.
TO_OUTBOX = "outbox"
TO_HELD = "held"
TO_NOWHERE = "nowhere"
