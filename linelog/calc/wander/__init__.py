"""How stations wander between visits, learned over all places of a plant, and the chance that one is out.

A place (a station's seat by one method) stands at an offset that nobody sees; a reading shows it with an error. In
between it creeps, walks, jumps, and settles back after a move. What a place does is one of many behaviours; how
common each is in a plant, and the real error of a reading, are learned from all places at once (empirical Bayes: a
place of few visits leans on those of its kind and these on the plant, one of many on itself). What comes out is held
against what visits found, each said from what was known before it. Inside, offsets are shares of the place's limit.
"""
