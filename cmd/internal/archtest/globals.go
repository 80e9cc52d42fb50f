package archtest

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"

	"golang.org/x/tools/go/packages"
)

// ChangedGlobals lists every place where code assigns to, increments or takes
// the address of a variable that belongs to a package rather than to a value.
func ChangedGlobals(dir string, patterns ...string) ([]string, error) {
	loaded, err := packages.Load(&packages.Config{
		Dir:  dir,
		Mode: packages.NeedName | packages.NeedSyntax | packages.NeedTypes | packages.NeedTypesInfo | packages.NeedFiles | packages.NeedImports,
	}, patterns...)
	if err != nil {
		return nil, err
	}
	var bad []string
	for _, pkg := range loaded {
		for _, e := range pkg.Errors {
			return nil, fmt.Errorf("package %s: %w", pkg.PkgPath, e)
		}
		for _, file := range pkg.Syntax {
			bad = append(bad, changes(pkg.Fset, pkg.TypesInfo, file)...)
		}
	}
	return bad, nil
}

func changes(set *token.FileSet, info *types.Info, file *ast.File) []string {
	var bad []string
	report := func(target ast.Expr) {
		if name := global(info, target); name != "" {
			bad = append(bad, fmt.Sprintf("%s changes the package variable %s", set.Position(target.Pos()), name))
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			for _, target := range n.Lhs {
				report(target)
			}
		case *ast.IncDecStmt:
			report(n.X)
		case *ast.UnaryExpr:
			if n.Op == token.AND {
				report(n.X)
			}
		}
		return true
	})
	return bad
}

// global names the package variable that an expression stands in, or is "".
func global(info *types.Info, target ast.Expr) string {
	for {
		switch t := target.(type) {
		case *ast.IndexExpr:
			target = t.X
		case *ast.ParenExpr:
			target = t.X
		case *ast.StarExpr:
			target = t.X
		case *ast.SelectorExpr:
			if v := variable(info, t.Sel); v != "" {
				return v
			}
			target = t.X
		case *ast.Ident:
			return variable(info, t)
		default:
			return ""
		}
	}
}

func variable(info *types.Info, name *ast.Ident) string {
	v, ok := info.Uses[name].(*types.Var)
	if ok && v.Pkg() != nil && v.Parent() == v.Pkg().Scope() {
		return v.Pkg().Path() + "." + v.Name()
	}
	return ""
}
