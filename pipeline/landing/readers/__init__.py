"""One module per format; each turns a received file into ``RawTable``s and judges nothing."""
