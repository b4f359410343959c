package words

// Phrases are the phrases of a language, for tests of other packages' texts.
func (c *Catalogue) Phrases() map[string]string { return c.phrases }
