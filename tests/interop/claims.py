"""What the scripts of the tests have in common: claims that hold or end the script, and waits that end."""

import sys
import time

PATIENCE_S = 20


def check(claim, held, detail=""):
    """Says the claim, or ends the script with what was found instead."""
    if not held:
        sys.exit(f"FAILED: {claim}: found {detail}")
    print(f"ok: {claim}", flush=True)


def ask_until(question, limit_s=PATIENCE_S):
    """Asks until the answer is true, which is given back; at the limit the last answer, which is not."""
    end = time.monotonic() + limit_s
    while True:
        answer = question()
        if answer or time.monotonic() > end:
            return answer
        time.sleep(0.02)  # the pace of asking; what counts is the answer


def await_claim(claim, question, detail=lambda: "nothing in time"):
    check(claim, ask_until(question), detail() if callable(detail) else detail)
