"""A clock for tests: it advances only in ``sleep``."""


class Clock:
    def __init__(self, now_s: float = 50.0) -> None:
        self.now_s = now_s
        self.slept: list[float] = []

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now_s += seconds
