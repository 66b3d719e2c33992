"""The stages joined: one set from one or more clips, its result, its folder, corrections.

In: clip files and `config.AnalysisConfig`. Out: `store.SetResult` (`pipeline.analyse`), and of
several clips `pairset.PairResult`. `store` writes and reads result folders, `source` finds the clip
of a result again, `stills` chooses frames worth a picture, `corrections` holds what was put right
by hand, `filmcheck` looks at a test clip and says how to film.
"""

__all__ = ["config", "corrections", "filmcheck", "pairset", "pipeline", "source", "stills", "store"]
