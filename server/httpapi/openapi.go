package httpapi

import _ "embed"

// openAPI describes the service in OpenAPI 3.1; a test holds the real answers
// against it.
//
//go:embed openapi.json
var openAPI []byte
