"""The guided session: a small server on this computer, one page, and the estimator that follows the play."""
