"""What readings say: circuit model, likelihoods, and the posterior over every opening."""
