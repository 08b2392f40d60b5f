import pandas as pd, os
def rd(f):
    x=pd.read_csv(f"/opt/ww/scratch/covariate/{f}.csv")
    if f in "ac": x.loc[x.arm.str.startswith("on"),"arm"]="old_"+x.arm
    return x
import sys
n=int(sys.argv[1]); T=sys.argv[2].split(",")
d=pd.concat([rd(f) for f in sys.argv[3]]); d=d[(d.n==n)&d.truth.isin(T)]
d["box"]=d.box.fillna(0)
p=d.pivot_table(index=["truth","study"],columns="arm",values="box")
for a in p.columns:
    if a=="off": continue
    x=p[[a,"off"]].dropna(); g=d[d.arm==a]
    e=x[a]-x["off"]
    print(f"{a:14} N={len(x)} {100*x[a].mean():.1f} vs {100*x['off'].mean():.1f} diff {100*e.mean():+.1f} +- {100*e.sem():.1f} wrong {g.wrong.sum()} point {g.point.mean():.3f} all {g['all'].mean():.3f} weld {g.weld.mean():.3f}")
g=d[d.arm=="off"]; print("off wrong",g.wrong.sum(),g.point.mean(),g["all"].mean(),g.weld.mean())
